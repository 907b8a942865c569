#!/usr/bin/env bash
# second_tries.sh REPORT: says which tests of a JUnit report of nextest passed only when they were tried again, and fails where they are
# more than one. A synthetic voice is not understood once in a while; twice in a suite it is the program.
set -euo pipefail

python3 - "$1" <<'PYTHON'
import sys
import xml.etree.ElementTree

tests = list(xml.etree.ElementTree.parse(sys.argv[1]).getroot().iter("testcase"))
if not tests:
    sys.exit(f"second tries: {sys.argv[1]} names no test")
flaky = [test.get("name") for test in tests if test.find("flakyFailure") is not None or test.find("flakyError") is not None]
print(f"second tries: {len(flaky)} of {len(tests)} tests needed one, expected one at most{': ' if flaky else ''}{', '.join(flaky)}")
sys.exit(len(flaky) > 1)
PYTHON
