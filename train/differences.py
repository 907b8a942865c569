"""Writes what differs between two files of the same size as the program applies it: python -m train.differences OLD NEW DIFF

Byte for byte new minus old, beyond 0 from 255 on again, compressed (zlib, RFC 1950). Prints what the manifest wants to know.
"""

from __future__ import annotations

import argparse
import hashlib
import pathlib
import zlib

import numpy


def differences(old: bytes, new: bytes) -> bytes:
    """What makes `new` out of `old`."""
    if len(old) != len(new):
        raise ValueError(f"{len(new)} bytes, expected {len(old)}")
    return zlib.compress((numpy.frombuffer(new, numpy.uint8) - numpy.frombuffer(old, numpy.uint8)).tobytes(), 9)


def applied(old: bytes, held: bytes) -> bytes:
    """`old` with the differences."""
    return (numpy.frombuffer(old, numpy.uint8) + numpy.frombuffer(zlib.decompress(held), numpy.uint8)).tobytes()


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name in ("old", "new", "diff"):
        words.add_argument(name, type=pathlib.Path)
    asked = words.parse_args()
    old, new = asked.old.read_bytes(), asked.new.read_bytes()
    held = differences(old, new)
    asked.diff.write_bytes(held)
    print(f"size = {len(new)}\nsha256 = \"{hashlib.sha256(new).hexdigest()}\"\nchanged = {{ sha256 = \"{hashlib.sha256(old).hexdigest()}\", by = \"{asked.diff.stem}\" }}")
    print(f"# {asked.diff}: {len(held) / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
