"""What takes minutes: a whole tank dump over a poor link, and four stations that are spoken to at once."""

import json
import re
import threading
import time

import numpy as np

import rig as support
from conftest import ROWAN
from morning_test import SHORT, Person
from page_test import hear_out_stamped
from poor_link import PoorLink


def test_a_whole_tank_dump_by_phone_over_a_poor_link(start, phone, server):
    link = PoorLink()
    program = start("tank-dump", SHORT + ROWAN)
    one = phone("rowan", trust=link.flags())
    recording = server.record("rowan")
    one.open(program.address())
    one.begin()
    program.wait_for("station 1 joined")
    before = link.bytes
    person = Person(one, recording)
    until = time.monotonic() + 25 * 60
    while time.monotonic() < until and program.process.poll() is None:
        person.turn()
        time.sleep(0.2)
    link.close()
    print(f"{link.stalls} stalls, {(link.bytes - before) / 1e6:.1f} MB")
    assert link.stalls > 10 and link.bytes - before > 1e6, "it went by the link"
    events = program.events()
    assert events[-1]["kind"] == "run_completed" and not events[-1]["skipped"], events[-1]
    answers = [event for event in events if event["kind"] in ("step_answered", "clock_started", "clock_ended")]
    answers = [event for event in answers if event["heard"].get("by") != "clock"]
    assert len(answers) >= 12
    assert all(event["heard"].get("by") in ("voice", "voice_confirmed") for event in answers), answers
    misheard = [event for event in answers if event["heard"]["phrase"] not in person.said]
    assert not misheard, misheard
    wrong = [event for event in events if event["kind"] in ("other_state_heard", "steps_reopened", "step_skipped", "overridden")]
    assert not wrong, wrong
    # 200 ms are no reason to ask anybody elsewhere.
    assert "station 1 is away" not in program.text()


CREW = "".join(f'[[person]]\nname = "{name}"\n' for name in ("Rowan", "Imre", "Sky", "Ash"))
WORDS = {"rowan": "where are we", "imre": "what is left", "sky": "how long", "rig": "say again"}


def test_three_phones_and_the_wired_station_are_answered_at_once_and_lose_nothing(start, phone, server):
    program = start("tank-dump", CREW, ("Rowan", "Imre", "Sky", "Ash"))
    for number, name in enumerate(("rowan", "imre", "sky"), 1):
        one = phone(name)
        one.open(program.address())
        one.begin(name.capitalize())
        program.wait_for(f"station {number} joined")
    spoken = {name: server.stamped(f"{name}-in") for name in WORDS}
    replied = {name: server.stamped(f"{name}-out") for name in WORDS}
    # Each in their own voice, made ahead.
    voices = {"rowan": "rms", "imre": "slt", "sky": "rms", "rig": "slt"}
    clips = {name: support.clip(server.folder, voices[name], words) for name, words in WORDS.items()}
    for ear in replied.values():
        hear_out_stamped(ear)
    time.sleep(2)
    delays = {name: [] for name in WORDS}
    for _ in range(10):
        for ear in replied.values():
            hear_out_stamped(ear)
        before = time.monotonic()
        speakers = [threading.Thread(target=server.play, args=(name, clips[name])) for name in WORDS]
        for speaker in speakers:
            speaker.start()
        for speaker in speakers:
            speaker.join()
        time.sleep(2.0)
        for name in WORDS:
            ended, began = spoken[name].last_loud(before), replied[name].first_loud(before)
            # What was not understood was never answered.
            delays[name].append(float("inf") if began is None else round(1000 * (began - ended)))
    print("ms from the end of the word to the reply:", json.dumps(delays))
    text = (server.folder / "errors.txt").read_text(errors="replace")
    lost = [int(count) for count in re.findall(r"missing: (\d+)", text)]
    behind = text.count("station is behind")
    overrun = len(re.findall("samples were lost", program.text()))
    print("slips:", text.count("sound of a phone slipped"), "frames missing:", lost, "behind:", behind, "overruns:", overrun)
    assert not any(lost) and behind == 0 and overrun == 0
    assert max(np.concatenate(list(delays.values()))) <= 800
