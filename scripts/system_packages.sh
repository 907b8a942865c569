# Sourced by ./run and ./check: installs system packages that are not there, where the system is Debian or Ubuntu.
# shellcheck shell=bash

# need_packages PACKAGE...: installs what is missing, and says so. Elsewhere it prints the list and goes on.
need_packages() {
    local missing=() package
    if ! command -v apt-get >/dev/null; then
        echo "this is not Debian or Ubuntu; the packages needed are called there: $*" >&2
        return 0
    fi
    for package in "$@"; do
        [[ $(dpkg-query -W -f '${db:Status-Status}' "$package" 2>/dev/null) == installed ]] || missing+=("$package")
    done
    ((${#missing[@]})) || return 0

    local as_root=()
    if ((EUID != 0)); then
        command -v sudo >/dev/null || {
            echo "missing: ${missing[*]}; there is no sudo here, so run as root: apt-get install ${missing[*]}" >&2
            return 1
        }
        as_root=(sudo)
    fi
    echo "installing system packages: ${missing[*]}" >&2
    "${as_root[@]}" apt-get update -qq || echo "the package lists could not be renewed, trying with those that are there" >&2
    "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}" </dev/null >&2 || {
        echo "could not install: ${missing[*]}; a network is needed for it once" >&2
        return 1
    }
}
