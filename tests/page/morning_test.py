"""A whole morning by two phones: everything is answered aloud, one phone is stopped in the middle of its clock, a third only looks."""

import os
import re
import signal
import time

import rig as support
from conftest import BOTH
from page_test import browser_of

VOICES = {"rowan": ["rms", "en-us", "slt"], "imre": ["slt", "en-us", "rms"]}
SHORT = "[tank_dump]\nrinse_s = 40\nlayer_s = 8\nrinses_most = 2\n\n"


class Person:
    """Says what stands on the first button, once it is asked for and nobody speaks; another voice where it was not taken."""

    def __init__(self, phone, recording):
        self.phone, self.recording = phone, recording
        self.asked, self.tries, self.said_at = None, 0, 0.0
        self.said = set()

    def turn(self):
        shown = self.phone.page.evaluate("""() => {
            const words = document.querySelector('#answers .confirm .words, .clock button.asked .words');
            return words ? [words.textContent, document.querySelector('#call').textContent] : null;
        }""")
        if shown is None:
            return
        if shown != self.asked:
            self.asked, self.tries = shown, 0
        if self.recording.quiet_for() < 0.8 or time.monotonic() - self.said_at < 4:
            return
        words = re.sub("^Hold: ", "", shown[0]).lower()
        voices = VOICES[self.phone.name]
        if self.tries >= 2 * len(voices):
            raise AssertionError(f"'{words}' was never taken from {self.phone.name}")
        self.phone.say(voices[self.tries % len(voices)], words)
        self.tries += 1
        self.said.add(words)
        self.said_at = time.monotonic()


def test_two_people_leave_by_their_phones(start, phone, server):
    program = start("leave", SHORT + BOTH, ("Rowan", "Imre"))
    people = []
    for name in ("rowan", "imre"):
        one = phone(name)
        recording = server.record(name)
        one.open(program.address())
        one.begin(name.capitalize())
        program.wait_for("station . joined", times=len(people) + 1)
        people.append(Person(one, recording))
    wall = phone("wall")
    wall.open(program.address())
    wall.begin("Rowan", screen=True)
    stopped_at, stopped, back, pids = None, None, False, []
    until = time.monotonic() + 45 * 60
    while time.monotonic() < until and program.process.poll() is None:
        clock = re.search("heard at station (.): [^\\n]*\\n[^\\n]*clock of [^\\n]*rinse-water runs", program.text())
        if stopped_at is None and clock:
            # Whoever stands at the tap.
            stopped = people[int(clock[1]) - 1]
            pids = browser_of(server, f"profile-{stopped.phone.name}")
            for pid in pids:
                os.kill(pid, signal.SIGSTOP)
            stopped_at = time.monotonic()
        if stopped_at and not back and time.monotonic() - stopped_at > 60:
            for pid in pids:
                os.kill(pid, signal.SIGCONT)
            back = True
        for person in people:
            if back or person is not stopped:
                person.turn()
        time.sleep(0.2)
    events = program.events()
    assert events[-1]["kind"] == "run_completed" and not events[-1]["skipped"], events[-1]
    assert back, "the rinse clock never ran"
    lines = program.text().splitlines()
    at = {station: [line.split("] ", 1)[1] for line in lines if f"at station {station}: " in line] for station in (1, 2)}
    assert all(len(said) > 10 for said in at.values())
    # Everything that was answered was answered aloud, and with what stood on the button: nothing by a key, nothing put right.
    answers = [event for event in events if event["kind"] in ("step_answered", "clock_started", "clock_ended")]
    answers = [event for event in answers if event["heard"].get("by") != "clock"]
    by_key = [event for event in answers if event["heard"].get("by") == "key"]
    assert len(answers) >= 60 and not by_key, by_key
    said = set.union(*(person.said for person in people))
    misheard = [event for event in answers if event["heard"]["phrase"] not in said]
    assert not misheard, misheard
    wrong = [event for event in events if event["kind"] in ("other_state_heard", "steps_reopened", "step_skipped", "overridden")]
    assert not wrong, wrong
    prompts = {station: {line.split(": ", 1)[1] for line in said if line.startswith("program at") and "Say: " in line} for station, said in at.items()}
    both = prompts[1] & prompts[2]
    assert not both, f"said to both: {both}"
