"""The plan's calendar file, read by another's library (PyPI icalendar) and looked at octet by octet (RFC 5545)."""

import json
import os
import random
import re
import subprocess
from datetime import datetime, timedelta, timezone
from pathlib import Path

import icalendar
import pytest

ROOT = Path(__file__).parents[2]
PHRASES = (ROOT / "prompts/phrases/plan.toml").read_text()
ROUTINE = """
id = "pack"
title = TITLE
complete = "Done."
[[section]]
id = "all"
title = TITLE
[[section.step]]
id = "boxes"
name = "boxes in"
call = "Put the boxes in. Say: done."
minutes = 12
answer = { kind = "done" }
[[section.step]]
id = "gate"
name = "last look"
call = "Last look."
answer = { kind = "gate" }
"""
# Letters of one to four octets, and all that RFC 5545 section 3.3.11 has escaped.
LETTERS = ["a", "B", " ", ",", ";", ":", "\\", "\\n", '"', "'", "\n", "é", "ß", "ж", "水", "🚐", "👩\u200d🔧", "\u2028", "%", "=", "^"]


def quoted(text):
    """As TOML writes it."""
    return json.dumps(text, ensure_ascii=False)


def random_text(dice, most):
    text = "".join(dice.choice(LETTERS) for _ in range(dice.randint(1, most)))
    return "x" + text + "x"


def random_duration(dice):
    """One of RFC 5545 section 3.3.6, and what it means."""
    if dice.random() < 0.25:
        weeks = dice.randint(1, 9)
        return f"-P{weeks}W", -timedelta(weeks=weeks)
    days, hours, minutes, seconds = dice.randint(0, 15), dice.randint(0, 23), dice.randint(1, 59), dice.randint(0, 59)
    date = f"{days}D" if days else ""
    return (
        f"-P{date}T{hours}H{minutes}M{seconds}S",
        -timedelta(days=days, hours=hours, minutes=minutes, seconds=seconds),
    )


@pytest.fixture(scope="session")
def program():
    program = ROOT / "target" / "release" / "sparehand"
    # Built here it would be compiled a second time: what the tests depend on has features of its own.
    assert program.exists(), f"{program} is missing; ./check builds it"
    return program


def plan(program, home, zone, title, summary, alarms):
    """Makes a plan with this title, these words and alarms: the calendar's octets, the data and the sentences."""
    config = home / ".config" / "sparehand"
    for folder in ["routines", "phrases"]:
        (config / folder).mkdir(parents=True, exist_ok=True)
    (config / "routines" / "pack.toml").write_text(ROUTINE.replace("TITLE", quoted(title)))
    words = re.sub(r"^calendar-summary = .*$", lambda _: f"calendar-summary = {quoted(summary)}", PHRASES, flags=re.M)
    words = re.sub(r"^alarms = .*$", lambda _: f"alarms = {json.dumps(alarms)}", words, flags=re.M)
    words = re.sub(r"^mornings = .*$", "mornings = 200", words, flags=re.M)
    (config / "phrases" / "plan.toml").write_text(words)
    out = home / "out"
    environment = {"HOME": str(home), "TZ": zone, "PATH": os.environ["PATH"]}
    command = [program, "plan", "--routine", "pack", "--away-by", "10:00", "--date", "2031-07-05", "--out", out]
    done = subprocess.run(command, env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    data = json.loads((out / "plan.json").read_text())
    return (out / "plan.ics").read_bytes(), data, (out / "plan.txt").read_text().removesuffix("\n")


def moment(text):
    return datetime.fromisoformat(text).astimezone(timezone.utc)


def check_lines(octets):
    """Section 3.1: lines end in CR LF, have at most 75 octets without it, and no letter is torn apart."""
    assert octets.endswith(b"\r\n")
    lines = octets.split(b"\r\n")[:-1]
    for line in lines:
        assert len(line) <= 75, line
        assert b"\r" not in line and b"\n" not in line, line
        line.decode("utf-8")
    return lines


ZONES = ["UTC", "America/Denver", "America/St_Johns", "Asia/Kathmandu", "Australia/Lord_Howe", "MST7"]


@pytest.mark.parametrize("seed", range(30))
def test_every_name_time_and_alarm_is_read_back_as_it_was(program, tmp_path, seed):
    dice = random.Random(seed)
    title, summary = random_text(dice, 120), random_text(dice, 200)
    alarms = [random_duration(dice) for _ in range(dice.randint(1, 3))]
    zone = dice.choice(ZONES)
    octets, data, sentences = plan(program, tmp_path, zone, title, summary, [text for text, _ in alarms])
    lines = check_lines(octets)
    assert any(line.startswith(b" ") for line in lines), "the description is long enough to be folded"

    calendar = icalendar.Calendar.from_ical(octets)
    assert calendar["VERSION"] == "2.0" and calendar["PRODID"]
    start, away = calendar.walk("VEVENT")
    assert not calendar.errors and not start.errors and not away.errors
    assert start["DTSTART"].dt == moment(data["start_80"])
    assert start["DTEND"].dt == away["DTSTART"].dt == moment(data["away_by"])
    assert start["DTSTART"].dt.utcoffset() == timedelta(0)
    assert abs(datetime.now(timezone.utc) - start["DTSTAMP"].dt) < timedelta(minutes=5)
    assert start["UID"] != away["UID"]
    assert str(start["SUMMARY"]) == summary
    assert str(start["DESCRIPTION"]) == sentences
    assert title.replace("x", "", 1)[:5] in sentences
    found = start.walk("VALARM")
    assert [alarm["TRIGGER"].dt for alarm in found] == [meant for _, meant in alarms]
    assert all(alarm["ACTION"] == "DISPLAY" and str(alarm["DESCRIPTION"]) == summary for alarm in found)
    # What the library writes of it says the same.
    again = icalendar.Calendar.from_ical(calendar.to_ical())
    assert [dict(event.property_items()) for event in again.walk("VEVENT")] == [
        dict(event.property_items()) for event in calendar.walk("VEVENT")
    ]


def test_a_plan_made_anew_takes_the_place_of_the_old_one(program, tmp_path):
    uids = []
    for zone in ["UTC", "UTC"]:
        octets, _, _ = plan(program, tmp_path, zone, "the packing", "Start: away by {by}", ["-PT15M"])
        uids.append([str(event["UID"]) for event in icalendar.Calendar.from_ical(octets).walk("VEVENT")])
    assert uids[0] == uids[1]


def test_a_local_time_means_the_local_time_of_its_zone(program, tmp_path):
    """10:00 in Denver on 5 July is 16:00 in universal time (daylight saving, UTC-6: IANA time zone database)."""
    octets, _, _ = plan(program, tmp_path, "America/Denver", "the packing", "Start: away by {by}", ["-PT15M"])
    _, away = icalendar.Calendar.from_ical(octets).walk("VEVENT")
    assert away["DTSTART"].dt == datetime(2031, 7, 5, 16, 0, tzinfo=timezone.utc)
    assert b"SUMMARY:Start: away by 10:00\r\n" in octets
