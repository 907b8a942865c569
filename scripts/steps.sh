# Sourced by ./check: steps that say how they went, and jobs beside them.
# shellcheck shell=bash

# step NAME COMMAND...: runs it, and says how long it took, also when it fails. A function runs in a shell of its own: under `||` the
# shell would go on after an error inside it, whatever is set there.
step() {
    local name=$1 from=$SECONDS code=0
    shift
    if [[ $(type -t "$1") == function ]]; then
        set -- bash -euo pipefail -c "$(declare -f)"$'\n\"$@\"' check "$@"
    fi
    echo "=== $name"
    "$@" </dev/null || code=$?
    local outcome="passed"
    ((code == 0)) || outcome="FAILED ($code)"
    echo "=== $name: $outcome, $((SECONDS - from)) s"
    return "$code"
}

# background COMMAND...: begins it in a process group of its own, whose number is in $job. None outlives the checks.
background() {
    set -m
    "$@" &
    # shellcheck disable=SC2034 # For whoever calls this, to wait for.
    job=$!
    set +m
}
end_background() {
    local group
    for group in $(jobs -pr); do
        kill -- -"$group" 2>/dev/null || true
    done
}
trap end_background EXIT
