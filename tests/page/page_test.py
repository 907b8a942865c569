"""The page of a phone in Chromium: let in, read, pressed, spoken to, lost and found again."""

import os
import re
import signal
import subprocess
import time
import wave
from pathlib import Path

import numpy as np
import pytest

import axe_playwright_python
import rig as support
from conftest import BOTH, ROWAN


AXE = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text()


def answered(program, step):
    return [event for event in program.events() if event["kind"] == "step_answered" and event["step"] == step]


def test_a_phone_goes_past_the_warning_is_let_in_once_and_stays_known(start, phone):
    program = start()
    address = program.address()
    first = phone("rowan")
    first.open(address)
    assert "#k=" not in first.page.url, "the token is taken off the address"
    first.begin(screen=True)
    first.shows("gloves")
    second = phone("imre")
    second.open(address)
    assert "not connected yet" in second.page.inner_text("#bar")
    first.page.reload()
    first.page.wait_for_selector("#start:not([hidden])")
    listed = program.command("phones").stdout
    assert "Rowan" in listed, listed
    assert program.command("phones", "--forget", "Rowan").returncode == 0
    first.page.reload()
    first.page.wait_for_selector("#bar:not([hidden])")
    assert "not connected yet" in first.page.inner_text("#bar")


def test_clocks_go_by_the_old_time_until_a_link_that_came_back_has_told_the_new_one(start, phone):
    program = start()
    one = phone()
    one.open(program.address())
    told = one.page.evaluate("""async () => {
        const { RunTime } = await import("/link.js");
        const time = new RunTime();
        const began = performance.now();
        time.told(began, began + 5000);
        const ahead = () => Math.round((time.now() - performance.now()) / 1000);
        const before = ahead();
        time.beginAnew();
        const between = ahead();
        time.told(performance.now(), performance.now() + 60000);
        return [before, between, ahead()];
    }""")
    assert told == [5, 5, 60], told


def test_who_trusts_the_rig_s_own_authority_sees_no_warning(start, phone, tmp_path):
    program = start()
    address = program.address()
    authority = tmp_path / "home/data/sparehand/phones/authority.pem"
    home = tmp_path / "phone"
    database = home / ".pki/nssdb"
    database.mkdir(parents=True)
    for arguments in (["-N", "--empty-password"], ["-A", "-t", "C,,", "-n", "rig", "-i", str(authority)]):
        subprocess.run(["certutil", "-d", f"sql:{database}", *arguments], check=True)
    one = phone(home=home)
    # Without a click on anything: it would raise where the browser warned.
    one.page.goto(address)
    one.page.wait_for_selector("#start:not([hidden])")
    one.begin(screen=True)
    one.shows("gloves")


def test_an_answer_that_can_hurt_has_to_be_held_and_a_slip_of_the_thumb_settles_nothing(start, phone):
    program = start()
    one = phone()
    one.open(program.address())
    one.begin(screen=True)
    one.shows("gloves on")
    # Gloves are no answer that can hurt; whether a valve is shut is.
    one.page.click("#answers .confirm")
    one.shows("Hold: gray closed")
    one.hold("#answers .confirm", 0.3)
    one.shows("hold it until")
    assert not answered(program, "grey-held")
    one.hold("#answers .confirm", 0.8)
    one.wait(lambda: answered(program, "grey-held"), "the answer in the journal")
    assert answered(program, "grey-held")[0]["heard"] == {"by": "key"}
    # By keyboard or screen reader it is pressed twice.
    one.shows("Hold: black closed")
    # A key that repeats answers nothing for 0.8 s (the engine's own guard).
    one.page.wait_for_timeout(1_000)
    one.page.locator("#answers .confirm").focus()
    one.page.keyboard.press("Enter")
    one.shows("press again")
    assert not answered(program, "black-held")
    one.page.keyboard.press("Enter")
    one.wait(lambda: answered(program, "black-held"), "the answer by keyboard")


def test_a_button_of_a_question_that_is_asked_no_more_settles_nothing(start, phone):
    program = start()
    one = phone()
    one.open(program.address())
    one.begin(screen=True)
    one.shows("gloves")
    # The screen stands still while somebody else answers.
    stale = one.page.evaluate("""() => {
        const socket = WebSocket.prototype.send;
        window.sent = [];
        WebSocket.prototype.send = function (data) { if (typeof data === 'string') window.sent.push(data); return socket.call(this, data); };
        return null;
    }""")
    assert stale is None
    one.page.click("#answers .confirm")
    one.wait(lambda: answered(program, "gloves"), "the answer")
    settled = len([event for event in program.events() if event["kind"] == "step_answered"])
    press = one.page.evaluate("window.sent.find((text) => text.includes('press'))")
    again = "(text) => { const hand = new WebSocket(`wss:` + `//${location.host}/socket`); hand.onopen = () => { hand.send(JSON.stringify({kind: 'hello', version: 4, names: ['Rowan'], part: 'screen'})); setTimeout(() => hand.send(text), 300); }; }"
    one.page.evaluate(again, press)
    program.wait_for("asked no more")
    assert len([event for event in program.events() if event["kind"] == "step_answered"]) == settled


@pytest.fixture
def noise(tmp_path):
    """Twelve seconds of noise between 150 and 5,000 Hz, 48 kHz, with a second of silence before and after."""
    random = np.random.default_rng(7)
    spectrum = np.fft.rfft(random.standard_normal(12 * 48_000))
    pitch = np.fft.rfftfreq(12 * 48_000, 1 / 48_000)
    spectrum[(pitch < 150) | (pitch > 5_000)] = 0
    sound = np.fft.irfft(spectrum)
    sound *= 0.25 / np.abs(sound).max()
    sound = np.concatenate([np.zeros(48_000), sound, np.zeros(48_000)])
    path = tmp_path / "noise.wav"
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(48_000)
        file.writeframes((sound * 32_767).astype("<i2").tobytes())
    return path, sound


# Beside the page's own worklet, on the same microphone: what the browser gave, with whatever it lost where the machine was busy.
RECORD = """
const source = AudioContext.prototype.createMediaStreamSource;
window.recorded = [];
const recorder = `registerProcessor("recorder", class extends AudioWorkletProcessor {
  process([[samples]]) { if (samples) this.port.postMessage(samples.slice()); return true; }
});`;
const address = URL.createObjectURL(new Blob([recorder], { type: "text/javascript" }));
AudioContext.prototype.createMediaStreamSource = function (stream) {
  const microphone = source.call(this, stream);
  this.audioWorklet.addModule(address).then(() => {
    const recorder = new AudioWorkletNode(this, "recorder", { numberOfOutputs: 0 });
    recorder.port.onmessage = ({ data }) => window.recorded.push(...data);
    microphone.connect(recorder);
  });
  return microphone;
};
"""


def test_the_sound_of_the_microphone_arrives_whole(start, phone, noise, server):
    path, _ = noise
    program = start("tank-dump", ROWAN, ("Rowan",), "--keep-sound", str(server.folder / "kept.wav"))
    one = phone(fake=path, bypass_csp=True)
    one.page.add_init_script(RECORD)
    one.open(program.address())
    one.begin()
    program.wait_for("station 1 joined")
    one.page.wait_for_timeout(16_000)
    rate = one.page.evaluate("new AudioContext().sampleRate")
    given = np.array(one.page.evaluate("window.recorded"))
    program.close()
    heard = support.kept_sound(server.folder / "kept.1.wav")[:, 0]
    loud = np.flatnonzero(np.abs(given) > 0.05)
    assert len(loud) > 10 * rate * 0.3, "the noise was not played"
    given = given[loud[0] + rate : loud[0] + 10 * rate]
    # What the browser gave, at the rate at which it is heard, by an ideal filter.
    count = 9 * support.RATE
    wanted = np.fft.irfft(np.fft.rfft(given)[: count // 2 + 1], count) * count / len(given)
    found = [fit(heard, wanted[second * support.RATE : (second + 1) * support.RATE]) for second in range(9)]
    lags = [lag - second * support.RATE for second, (lag, _) in enumerate(found)]
    print("signal to error, second by second:", [round(float(error), 1) for _, error in found], "dB; lags:", lags)
    assert len(set(lags)) == 1, "sound slipped between the browser and the rig"
    assert min(error for _, error in found) >= 55


def fit(heard, piece):
    """Where a piece was heard, and by how many decibels it is above what differs. A delay of a part of a sample is no error."""
    size = 1 << (len(heard) + len(piece)).bit_length()
    across = np.fft.irfft(np.fft.rfft(heard, size) * np.conj(np.fft.rfft(piece, size)))
    lag = int(np.argmax(across[: len(heard) - len(piece)]))
    spectrum = np.fft.rfft(heard[lag : lag + len(piece)])
    pitch = np.fft.rfftfreq(len(piece))
    inner = slice(500, -500)

    def error(shift):
        moved = np.fft.irfft(spectrum * np.exp(2j * np.pi * pitch * shift), len(piece))[inner]
        power = np.dot(piece[inner], piece[inner])
        gain = np.dot(moved, piece[inner]) / power
        return 10 * np.log10(gain**2 * power / np.sum((moved - gain * piece[inner]) ** 2))

    best = max(np.arange(-1, 1, 0.02), key=error)
    best = max(np.arange(best - 0.02, best + 0.02, 0.0005), key=error)
    return lag, error(best)


def hear_out(recording, quiet=0.7):
    time.sleep(0.3)
    while recording.quiet_for() < quiet:
        time.sleep(0.02)


def say_until(program, one, recording, texts, pattern, times=1):
    """Says one of these after the other, each in another voice, until the program has taken it."""
    for voice, text in texts:
        hear_out(recording)
        one.say(voice, text)
        try:
            return program.wait_for(pattern, times, patience=8)
        except AssertionError:
            continue
    raise AssertionError(f"'{texts}' was never taken:\n{program.text()}")


def test_a_person_speaks_and_hears_at_their_phone_and_the_rig_is_silent(start, phone, server):
    program = start()
    at_phone, at_rig = server.record("rowan"), server.record("rig")
    one = phone()
    one.open(program.address())
    one.begin()
    program.wait_for("station 1 joined")
    program.wait_for("program at station 1: .*gloves", patience=30)
    # What everybody is told at the beginning, and who is on the phone.
    program.wait_for("program: Rowan is on the phone", patience=30)
    hear_out(at_rig)
    hear_out(at_phone)
    before = len(program.text().splitlines())
    say_until(program, one, at_phone, [("rms", "gloves on"), ("slt", "gloves on"), ("rms", "gloves on")], "kept: gloves")
    hear_out(at_phone)
    since = program.text().splitlines()[before:]
    assert any("heard at station 1" in line for line in since), since
    assert any("program at station 1" in line for line in since), since
    assert not any("] program: " in line for line in since), "nothing for Rowan is said at the rig"
    assert np.abs(at_phone.samples().astype(int)).max() > 1_000


def test_a_phone_that_stops_is_away_within_two_seconds_and_comes_back(start, phone, server):
    program = start()
    at_rig = server.record("rig")
    one = phone()
    one.open(program.address())
    one.begin()
    program.wait_for("station 1 joined")
    program.wait_for("program: Rowan is on the phone", patience=30)
    hear_out(at_rig, 1.0)
    pids = browser_of(server, "profile-rowan")
    began = time.monotonic()
    for pid in pids:
        os.kill(pid, signal.SIGSTOP)
    try:
        program.wait_for("station 1 is away", patience=5)
        known = time.monotonic() - began
        program.wait_for("program: I have lost Rowan's phone", patience=5)
        said = time.monotonic() - began
        program.wait_for("program: .*gloves", patience=15)
    finally:
        for pid in pids:
            os.kill(pid, signal.SIGCONT)
    print(f"known after {known:.2f} s, said after {said:.2f} s")
    assert known <= 2.0 and said <= 3.0
    program.wait_for("station 1 joined", times=2, patience=20)
    program.wait_for("program: Rowan is on the phone again", patience=10)


def test_benchmark_the_reply_begins_soon_after_the_word_has_ended(start, phone, server):
    program = start()
    at_rig = server.record("rig")
    one = phone()
    one.open(program.address())
    one.begin()
    program.wait_for("station 1 joined")
    hear_out(at_rig, 1.0)
    spoken, replied = server.stamped("rowan-in"), server.stamped("rowan-out")
    delays = []
    for number in range(21):
        hear_out_stamped(replied)
        before = time.monotonic()
        one.say(["rms", "slt", "en-us"][number % 3], "say again")
        time.sleep(1.5)
        ended, began = spoken.last_loud(before), replied.first_loud(before)
        # What was not understood was never answered.
        delays.append(np.inf if began is None else 1000 * (began - ended))
    print("ms from the end of the word to the reply:", delays)
    assert np.median(delays) <= 450 and np.quantile(delays, 0.95, method="higher") <= 600


def hear_out_stamped(ear):
    time.sleep(0.3)
    while time.monotonic() - (ear.last_loud(0) or 0) < 0.8:
        time.sleep(0.02)


def browser_of(server, profile):
    """Every process of one browser."""
    listed = subprocess.run(["pgrep", "-f", f"{server.folder}/{profile}"], capture_output=True, text=True).stdout.split()
    assert listed
    return [int(pid) for pid in listed]


@pytest.mark.parametrize("size", [(390, 844), (360, 640), (844, 390), (1024, 768)])
@pytest.mark.parametrize("dark", [True, False], ids=["dark", "sun"])
def test_everything_can_be_reached_and_read_at_every_size(start, phone, pictures, size, dark):
    program = start("tank-dump", BOTH, ("Rowan", "Imre"))
    one = phone("wall", size=size, dark=dark)
    one.open(program.address())
    name = f"{size[0]}x{size[1]}-{'dark' if dark else 'sun'}"
    one.page.check("input[value=Rowan]")
    one.page.screenshot(path=str(pictures / f"start-{name}.png"))
    is_accessible(one)
    one.begin(screen=True)
    one.shows("gloves")
    one.page.screenshot(path=str(pictures / f"step-{name}.png"))
    looks_right(one)
    one.page.click("#more summary")
    one.page.screenshot(path=str(pictures / f"more-{name}.png"), full_page=True)
    looks_right(one)


def is_accessible(one):
    """axe-core finds nothing that WCAG 2.1, levels A and AA, forbids: names, roles, contrast and the like."""
    one.page.evaluate(AXE)
    rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]
    found = one.page.evaluate("(tags) => axe.run(document, { runOnly: tags })", rules)
    assert len(found["passes"]) > 8, "axe looked at too little"
    broken = [(rule["id"], [node["html"] for node in rule["nodes"]]) for rule in found["violations"]]
    assert not broken, broken


def looks_right(one):
    """No sideways scrolling, also at twice the size; every control has a name and is large enough."""
    found = one.page.evaluate("""() => {
        const shown = (at) => at.getClientRects().length > 0;
        const controls = [...document.querySelectorAll('button, summary, a, input')].filter(shown);
        return {
            wide: document.documentElement.scrollWidth - document.documentElement.clientWidth,
            small: controls.map((at) => [at.id || at.textContent, at.closest('label') ?? at]).map(([name, at]) => [name, at.getBoundingClientRect()])
                .filter(([, box]) => box.width < 44 || box.height < 44).map(([name]) => name),
            answers: [...document.querySelectorAll('#answers button')].map((at) => at.getBoundingClientRect().height),
            unnamed: controls.filter((at) => !(at.textContent.trim() || at.getAttribute('aria-label') || at.closest('label'))).map((at) => at.outerHTML),
            call: parseFloat(getComputedStyle(document.querySelector('#call')).fontSize) / window.innerWidth,
        };
    }""")
    assert found["wide"] <= 0, f"{found['wide']} pixels too wide"
    assert not found["small"] and not found["unnamed"], found
    assert all(height >= 88 for height in found["answers"]), found
    stop_is_in_reach(one)
    is_accessible(one)
    # 200 %: as many letters on half the width.
    width, height = one.page.viewport_size["width"], one.page.viewport_size["height"]
    one.page.set_viewport_size({"width": width // 2, "height": height // 2})
    wide = one.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    one.page.set_viewport_size({"width": width, "height": height})
    assert wide <= 0, f"{wide} pixels too wide at 200 %"


def stop_is_in_reach(one):
    """STOP stands whole at the bottom edge, with nothing over it."""
    found = one.page.evaluate("""() => {
        const stop = document.querySelector('#stop');
        const box = stop.getBoundingClientRect();
        const over = document.elementFromPoint(box.left + box.width / 2, box.top + box.height / 2);
        return { below: window.innerHeight - box.bottom, height: box.height, free: over === stop };
    }""")
    assert 0 <= found["below"] <= 24 and found["height"] >= 56 and found["free"], found


SHORT_RINSE = "[tank_dump]\nrinse_s = 12\nlayer_s = 8\nrinses_most = 1\n\n"


def press_until(one, is_so, patience=90.0):
    """Holds the first answer of every step until something is so."""
    until = time.monotonic() + patience
    while time.monotonic() < until and not is_so():
        if one.page.locator("#answers .confirm").count():
            one.hold("#answers .confirm", 0.75)
        one.page.wait_for_timeout(900)
    assert is_so(), one.page.inner_text("body")


def clock_runs(one):
    return one.page.locator(".clock").count() > 0


def test_a_clock_is_read_at_arm_s_length_and_ended_by_its_own_button(start, phone, pictures):
    program = start("tank-dump", SHORT_RINSE + ROWAN)
    one = phone()
    one.open(program.address())
    one.begin(screen=True)
    one.shows("gloves")
    one.page.click("#answers .confirm")
    one.shows("Hold: gray closed")
    one.page.screenshot(path=str(pictures / "hold-390x844-dark.png"))
    press_until(one, lambda: clock_runs(one))
    one.page.screenshot(path=str(pictures / "clock-390x844-dark.png"))
    size = one.page.evaluate("parseFloat(getComputedStyle(document.querySelector('.clock .time')).fontSize) / innerWidth")
    assert size >= 0.15, f"the clock takes {size:.2f} of the width"
    shown = one.page.inner_text(".clock .time")
    one.page.wait_for_timeout(2_100)
    assert one.page.inner_text(".clock .time") != shown, "it counts"
    assert one.page.inner_text(".clock button") == "Hold: water off", "it can be ended before its time is up"
    one.wait(lambda: one.page.locator(".clock.up").count(), "the end of the clock", 30)
    one.page.screenshot(path=str(pictures / "alarm-390x844-dark.png"))
    is_accessible(one)
    program.wait_for("program \\(alarm\\)")
    assert one.page.inner_text(".clock button") == "Hold: water off", "it names the state, as one would say it"
    one.hold(".clock button", 0.75)
    one.wait(lambda: any(event["kind"] == "clock_ended" for event in program.events()), "the end in the journal")


def test_a_page_without_a_link_says_so_and_rings_for_a_hazard_by_itself(start, phone, server, pictures):
    program = start("tank-dump", SHORT_RINSE + ROWAN)
    one = phone()
    one.open(program.address())
    one.begin()
    one.shows("gloves")
    press_until(one, lambda: clock_runs(one))
    heard = server.stamped("rowan-out")
    os.kill(program.process.pid, signal.SIGSTOP)
    try:
        one.wait(lambda: "Away from the rig" in one.page.inner_text("#bar"), "the bar", 10)
        one.wait(lambda: one.page.evaluate("Number(document.documentElement.dataset.rang ?? 0)") >= 2, "ringing", 40)
        one.page.screenshot(path=str(pictures / "away-390x844-dark.png"))
        assert heard.last_loud(time.monotonic() - 5), "it is to be heard"
        assert one.page.evaluate("['answers', 'clocks', 'stop', 'asks', 'cards'].every((id) => document.getElementById(id).inert)"), "no button answers"
    finally:
        os.kill(program.process.pid, signal.SIGCONT)
    one.wait(lambda: not one.page.is_visible("#bar"), "the link", 15)
    assert not one.page.evaluate("document.getElementById('answers').inert")


def test_a_browser_that_opens_no_socket_finds_the_other_way_by_itself(start, phone, server):
    program = start()
    at_phone = server.record("rowan")
    one = phone()
    one.page.add_init_script("""
        window.WebSocket = class { static CONNECTING = 0; static OPEN = 1; static CLOSED = 3;
            constructor() { setTimeout(() => this.onclose?.(), 20); } send() {} close() {} };
    """)
    one.open(program.address())
    one.begin()
    program.wait_for("station 1 joined")
    assert one.page.evaluate("document.documentElement.dataset.way") == "requests"
    program.wait_for("program at station 1: .*gloves", patience=30)
    hear_out(at_phone)
    say_until(program, one, at_phone, [("rms", "gloves on"), ("slt", "gloves on"), ("rms", "gloves on")], "kept: gloves")
    assert np.abs(at_phone.samples().astype(int)).max() > 1_000


def answers_in(program):
    return [event for event in program.events() if event["kind"] == "step_answered"]


SOCKETS = """() => {
    const Plain = window.WebSocket;
    window.sockets = [];
    window.WebSocket = class extends Plain {
        constructor(...from) { super(...from); this.firsts = []; window.sockets.push(this); }
        send(data) {
            if (typeof data !== 'string' && this.firsts.length < 1) this.firsts.push(new DataView(data).getUint32(4, true));
            return super.send(data);
        }
    };
}"""
STREAMS = """() => {
    // The page that warns has none.
    if (!navigator.mediaDevices) return;
    const plain = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
    window.tracks = [];
    navigator.mediaDevices.getUserMedia = async (wanted) => {
        const stream = await plain(wanted);
        window.tracks.push(...stream.getTracks());
        return stream;
    };
}"""


def forget_first_page(one):
    """The first page has a socket of its own, which is shut by now."""
    one.page.evaluate("window.sockets = window.sockets.slice(-1)")


def with_script(one, script):
    one.page.add_init_script(f"({script})()")


def test_of_two_who_share_the_rig_each_screen_shows_its_own_step_and_only_the_asked_one_has_buttons(start, phone):
    program = start("leave", BOTH, ("Rowan", "Imre"))
    screens = {}
    for name in ("Rowan", "Imre"):
        screens[name] = phone(name.lower())
        screens[name].open(program.address())
        screens[name].begin(name, screen=True)
    for name, one in screens.items():
        one.wait(lambda: one.page.inner_text("#who") == name, f"{name} above the call")
    buttons = {name: one.page.locator("#answers .confirm") for name, one in screens.items()}
    asked = set()
    for _ in range(40):
        shown = [name for name, button in buttons.items() if button.count()]
        assert len(shown) < 2, "one answers for the other"
        asked.update(shown)
        if len(asked) == 2:
            break
        if shown:
            one = screens[shown[0]]
            other = screens["Imre" if shown == ["Rowan"] else "Rowan"]
            assert other.page.inner_text("#who") not in ("", shown[0])
            one.hold("#answers .confirm", 0.75)
        one.page.wait_for_timeout(900)
    assert asked == {"Rowan", "Imre"}


def test_two_share_a_phone_until_one_of_them_has_another(start, phone):
    program = start("leave", BOTH, ("Rowan", "Imre"))
    shared = phone("rowan")
    shared.open(program.address())
    shared.page.check("#share")
    shared.page.check("input[value=Rowan]")
    assert not shared.page.is_enabled("#begin"), "nobody to share with"
    shared.page.check("input[value=Imre]")
    assert not shared.page.is_enabled("#only-screen"), "a screen is one person's"
    shared.page.click("#begin")
    program.wait_for("station 1 joined: Rowan, Imre")
    program.wait_for("program: Rowan and Imre share a phone", patience=60)
    for name in ("Rowan", "Imre"):
        program.wait_for(f"program at station 1: .*{name}: ", patience=60)
    shared.wait(lambda: shared.page.inner_text("#who") in ("Rowan", "Imre"), "whose step it is")
    assert "Rowan, Imre" in shared.page.inner_text("#sound")
    # Whoever is asked there answers by its buttons.
    before = len([event for event in program.events() if event["kind"] == "step_answered"])
    shared.page.wait_for_selector("#answers .confirm")
    shared.hold("#answers .confirm", 0.8)
    shared.wait(lambda: len([event for event in program.events() if event["kind"] == "step_answered"]) > before, "the answer")
    own = phone("imre")
    own.open(program.address())
    own.begin("Imre")
    program.wait_for("station 2 joined: Imre")
    own.wait(lambda: own.page.inner_text("#who") == "Imre", "Imre's own step")
    shared.wait(lambda: shared.page.inner_text("#who") == "Rowan", "Rowan's step alone")
    joined = [event for event in program.events() if event["kind"] == "station_joined"]
    assert [event["people"] for event in joined] == [["Rowan", "Imre"], ["Imre"]]
    own.close()
    program.wait_for("station 2 is away")
    program.wait_for("program at station 1: .*Imre: ", times=2, patience=30)
    shared.page.reload()
    shared.page.wait_for_selector("#start:not([hidden])")
    assert shared.page.is_checked("#share") and shared.page.is_enabled("#begin"), "it is remembered"


def test_a_new_authority_is_told_at_the_rig_with_what_to_do(start, phone, server):
    program = start()
    phone().open(program.address())
    program.close()
    assert "new certificate" not in program.text()
    (server.folder / "home/data/sparehand/phones/authority.pem").unlink()
    program = start()
    program.wait_for("program: I have made a new certificate, and phones that trusted the old one", patience=60)
    assert re.search("(?m)^I have made a new certificate", program.text()), "printed as well"


def test_a_button_that_is_drawn_anew_while_it_is_held_settles_nothing(start, phone):
    program = start()
    one = phone()
    one.open(program.address())
    one.begin(screen=True)
    one.shows("gloves on")
    one.page.click("#answers .confirm")
    one.shows("Hold: gray closed")
    box = one.page.locator("#answers .confirm").bounding_box()
    one.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    one.page.mouse.down()
    # Another screen of the same person holds the run meanwhile.
    one.page.evaluate("""() => new Promise((done) => {
        const hand = new WebSocket(`wss:` + `//${location.host}/socket`);
        hand.onopen = () => hand.send(JSON.stringify({ kind: 'hello', version: 4, names: ['Rowan'], part: 'screen' }));
        hand.onmessage = () => { hand.send(JSON.stringify({ kind: 'press', what: 'stop', question: 0, words: '' })); done(); };
    })""")
    one.shows("go ahead", 2)
    one.page.wait_for_timeout(900)
    one.page.mouse.up()
    one.page.wait_for_timeout(300)
    assert not answered(program, "grey-held")
    assert "asked no more" not in program.text(), "it was pressed though nobody held it any more"


def test_what_harm_can_come_of_is_held_whichever_button_it_is_and_a_reading_has_digits(start, phone):
    program = start()
    one = phone()
    one.open(program.address())
    one.begin(screen=True)
    one.shows("gloves")
    found = one.page.evaluate("""async () => {
        const { Show } = await import('/show.js');
        const pressed = [];
        const show = new Show((name) => name === 'hold' ? 'Hold: {}' : name, (...what) => pressed.push(what));
        const plain = { question: 7, routine: '', section: '', step: [0, 0], who: 'Imre', caution: '', call: 'the call', hold: [], confirm: 'yes', other: 'no',
            choices: [], typed: null, enters: '', bounds: '', said: [], cards: [], standing_by: false, clocks: [], heard: '', can_say: [], beside: [], notices: [] };
        const look = (view) => {
            show.draw({ ...plain, ...view });
            return [...document.querySelectorAll('#answers button')].map((at) => [at.textContent, at.classList.contains('hold')]);
        };
        const many = [...'abcdefghijkl'];
        const drawn = { override: look({ other: 'override', hold: ['other'] }), yes: look({ hold: ['confirm'] }), many: look({ choices: many }),
            choices: look({ confirm: '', other: '', choices: ['a'], hold: ['choices'] }), typed: look({ confirm: 'that is all', other: 'never mind', typed: '42', enters: '42 psi' }) };
        document.querySelector('#answers .digits button:nth-child(3)').click();
        document.querySelector('#answers .drop_digit').click();
        document.querySelector('#answers .confirm').click();
        return { drawn, pressed, typed: document.querySelector('#answers .typed').textContent, who: document.querySelector('#who').textContent };
    }""")
    drawn = found["drawn"]
    assert drawn["override"] == [["yes", False], ["Hold: override", True]]
    assert drawn["yes"] == [["Hold: yes", True], ["no", False]]
    assert [words for words, _ in drawn["many"]] == ["yes", "no", *"abcdefghijkl"], "no choice is left out"
    assert drawn["choices"] == [["Hold: a", True]]
    assert [words for words, _ in drawn["typed"]] == [*"1234567890", "drop-digit", "enter"]
    assert found["pressed"] == [["digit", 7, "3"], ["drop_digit", 7, ""], ["confirm", 7, "that is all"]], "what counts is what the rig named"
    assert found["typed"] == "42" and found["who"] == "Imre"


def test_after_a_reconnect_no_sound_is_sent_under_the_numbers_of_before(start, phone):
    program = start()
    one = phone()
    with_script(one, SOCKETS)
    one.open(program.address())
    one.begin()
    program.wait_for("station 1 joined")
    one.page.wait_for_timeout(3_000)
    forget_first_page(one)
    for count in range(2, 8):
        one.page.evaluate("window.sockets.at(-1).close()")
        one.wait(lambda: one.page.evaluate("window.sockets.length") >= count, "another socket")
        one.wait(lambda: one.page.evaluate("window.sockets.at(-1).firsts.length"), "sound on it")
        one.page.wait_for_timeout(500)
    firsts = one.page.evaluate("window.sockets.map((socket) => socket.firsts[0])")
    assert all(first == 0 for first in firsts[1:]), firsts
    began = time.monotonic()
    one.page.evaluate("window.sockets.at(-1).close()")
    count = program.text().count("station 1 joined")
    program.wait_for("station 1 joined", times=count + 1, patience=10)
    assert time.monotonic() - began < 5


def test_a_page_that_has_ended_says_why_and_goes_on_saying_it_with_its_microphone_shut(start, phone):
    program = start()
    first, second, third = phone("rowan"), phone("imre"), phone("wall")
    for one in (first, second, third):
        with_script(one, STREAMS)
        one.open(program.address())
    first.begin()
    program.wait_for("station 1 joined")
    second.begin()
    says = lambda one, text: one.wait(lambda: text in one.page.inner_text("#bar"), text)
    shut = lambda one: one.page.evaluate("window.tracks.length > 0 && window.tracks.every((track) => track.readyState === 'ended')")
    says(first, "on another phone or page")
    second.page.wait_for_timeout(1_500)
    second.page.click("#more summary")
    second.page.click("#leave")
    says(second, "This phone is done")
    third.begin()
    program.wait_for("station 1 joined", times=2)
    program.close()
    says(third, "The run is over")
    third.page.wait_for_timeout(4_000)
    for one, text in ((first, "on another phone or page"), (second, "This phone is done"), (third, "The run is over")):
        assert text in one.page.inner_text("#bar"), "a page that has ended promises to ring"
        assert shut(one), "the microphone is open"


def test_a_screen_without_a_link_rings_aloud_too(start, phone, server):
    program = start("tank-dump", SHORT_RINSE + ROWAN)
    one = phone()
    one.open(program.address())
    one.begin(screen=True)
    one.shows("gloves")
    press_until(one, lambda: clock_runs(one))
    heard = server.stamped("rowan-out")
    os.kill(program.process.pid, signal.SIGSTOP)
    try:
        one.wait(lambda: one.page.evaluate("Number(document.documentElement.dataset.rang ?? 0)") >= 2, "ringing", 40)
        assert "this phone rings" in one.page.inner_text("#bar")
        one.wait(lambda: heard.last_loud(time.monotonic() - 5), "it is to be heard", 5)
    finally:
        os.kill(program.process.pid, signal.SIGCONT)


def test_the_bar_keeps_what_somebody_has_to_do_over_a_reconnect(start, phone):
    program = start()
    one = phone()
    with_script(one, SOCKETS)
    with_script(one, STREAMS)
    one.open(program.address())
    one.begin()
    program.wait_for("station 1 joined")
    one.page.evaluate("""() => {
        const track = window.tracks.at(-1);
        Object.defineProperty(track, 'muted', { value: true });
        track.onmute(new Event('mute'));
    }""")
    says = lambda text: one.wait(lambda: text in one.page.inner_text("#bar"), text)
    says("switched its microphone off")
    program.wait_for("station 1 is away")
    forget_first_page(one)
    one.page.evaluate("window.sockets.at(-1).close()")
    one.wait(lambda: one.page.evaluate("window.sockets.length") >= 2, "another socket")
    one.wait(lambda: "Looking" not in one.page.inner_text("#sound"), "the link")
    one.page.wait_for_timeout(1_000)
    says("switched its microphone off")


def test_a_phone_whose_microphone_is_refused_goes_on_saying_so(start, phone):
    program = start()
    one = phone()
    one.page.add_init_script("navigator.mediaDevices.getUserMedia = async () => { throw new DOMException('no', 'NotAllowedError'); };")
    with_script(one, SOCKETS)
    one.open(program.address())
    one.begin()
    one.shows("gloves")
    one.page.wait_for_timeout(1_000)
    assert "No microphone" in one.page.inner_text("#bar")


# A step with a reading on one's way: what it asks for is to be had from the rig file.
PRESSURES = (Path(__file__).resolve().parents[2] / "examples/rigs/motorhome-towed-car.toml").read_text()


def said(one):
    return one.page.inner_text("#said")


def test_what_was_said_last_stands_on_the_page_and_what_more_asks_is_answered_there(start, phone):
    program = start()
    one = phone()
    one.open(program.address())
    one.begin(screen=True)
    one.wait(lambda: "Gloves" in said(one), "the first sentence as text")
    for button, holds in (("where_are_we", "tank dump"), ("what_is_left", "to go")):
        one.page.click("#more summary")
        one.page.click(f"#asks [data-button={button}]")
        one.wait(lambda: holds in one.page.inner_text("#said p:first-child").lower(), f"the answer of {button}")
        assert not one.page.locator("#more[open]").count(), "the answer is not covered"
        box = one.page.locator("#said").bounding_box()
        assert 0 <= box["y"] and box["y"] < one.page.viewport_size["height"], "it is in sight"


@pytest.mark.parametrize("size", [(360, 640), (390, 844), (844, 390), (1024, 768)])
def test_stop_is_in_reach_with_a_digit_pad_a_clock_an_alarm_and_the_cards(start, phone, size):
    program = start()
    one = phone(size=size)
    one.open(program.address())
    one.begin(screen=True)
    one.shows("gloves on")
    one.page.evaluate("""async () => {
        const { Show } = await import('/show.js');
        window.show = new Show((name) => `${name} {}`, () => {});
        const clock = { name: 'rinse water', end: 'water off', ends: 9000, length: 9000, hazard: true };
        const view = { question: 7, routine: 'Tank dump', section: 'Rinse', step: [3, 9], who: 'Imre', caution: 'Hot rims burn. Wait.', call: 'Left front tire?', hold: ['confirm'],
            confirm: 'that is all', other: 'never mind', choices: [], typed: '110', enters: '110 psi', bounds: '105 - 120 psi', said: ['Read it. '.repeat(30), 'One one zero.'],
            cards: ['fire', 'gas', 'somebody hurt', 'carbon monoxide', 'flood'], standing_by: false, clocks: [clock], heard: 'x', can_say: ['y'], beside: [['Rowan', 'Hose?']], notices: ['z'] };
        window.draw = (now) => { window.show.draw(view); window.show.tick(now); };
    }""")
    for now in (0, 12_000):
        one.page.evaluate("(now) => window.draw(now)", now)
        assert one.page.locator(".clock.up").count() == (now > 9_000)
        stop_is_in_reach(one)
        one.page.locator("#answers .end .confirm").scroll_into_view_if_needed()
        stop_is_in_reach(one)
    one.page.evaluate("window.show.open_cards(true)")
    stop_is_in_reach(one)


def test_a_clock_of_a_hazard_is_ended_by_its_button_before_its_time_and_only_by_holding(start, phone):
    program = start("tank-dump", "[tank_dump]\nrinse_s = 300\nrinses_most = 1\n\n" + ROWAN)
    one = phone()
    one.open(program.address())
    one.begin(screen=True)
    one.shows("gloves")
    press_until(one, lambda: clock_runs(one))
    one.page.wait_for_selector(".clock button")
    one.hold(".clock button", 0.2)
    ended = lambda: [event for event in program.events() if event["kind"] == "clock_ended"]
    one.page.wait_for_timeout(500)
    assert not ended(), "a slip of the thumb"
    one.hold(".clock button", 0.8)
    one.wait(ended, "the end in the journal")
    assert ended()[0]["heard"] == {"by": "key"}


def test_a_reading_shows_its_bounds_is_taken_back_by_digits_and_read_back_with_its_number(start, phone):
    program = start("morning-outside", PRESSURES)
    one = phone()
    one.open(program.address())
    one.begin(screen=True)
    press_until(one, lambda: one.page.locator("#answers .digits").count() > 0)
    assert re.search(r"Should be \d+ - \d+ psi", one.page.inner_text("#answers .bounds"))
    least = re.search(r"\d+", one.page.inner_text("#answers .bounds"))[0]
    typed = lambda: one.page.inner_text("#answers .typed")
    assert one.page.is_disabled("#answers .confirm") and one.page.is_disabled("#answers .drop_digit"), "nothing to enter"
    for place, digit in enumerate(least + "7"):
        one.page.click(f"#answers .digit:has-text('{digit}')")
        one.wait(lambda: len(typed()) == place + 1, "the digit on the screen")
    one.page.click("#answers .drop_digit")
    one.wait(lambda: typed() == least, "the last digit taken back")
    one.wait(lambda: f"enter {least} psi" in one.page.inner_text("#answers .confirm"), "what it enters")
    one.hold("#answers .confirm", 0.8)
    one.wait(lambda: not one.page.locator("#answers .digits").count(), "the end of the reading")
    one.wait(lambda: least in one.page.inner_text("#call"), "the number in the question that reads it back")
    assert one.page.inner_text("#answers .confirm").endswith("yes")


def test_whoever_waits_sees_for_whom_and_may_end_a_pause(start, phone):
    program = start("leave", BOTH, ("Rowan", "Imre"))
    screens = {}
    for name in ("Rowan", "Imre"):
        screens[name] = phone(name.lower())
        screens[name].open(program.address())
        screens[name].begin(name, screen=True)
    asked = lambda name: screens[name].page.locator("#answers .confirm").count()
    screens["Rowan"].wait(lambda: asked("Rowan") + asked("Imre") == 1, "that one of them is asked")
    waiting, other = ("Imre", "Rowan") if asked("Rowan") else ("Rowan", "Imre")
    one = screens[waiting]
    one.wait(lambda: other in one.page.inner_text("#beside"), "for whom")
    one.wait(lambda: f"{other} is asked first" in one.page.inner_text("#answers") or other in one.page.inner_text("#call"), "that it is not their turn")
    assert one.page.inner_text("#call"), "an empty page"
    one.page.click("#stop")
    one.page.wait_for_selector("#answers .go_ahead")
    assert one.page.inner_text("#answers .go_ahead") == "Go ahead"
    one.page.click("#answers .go_ahead")
    one.wait(lambda: not one.page.locator("#answers .go_ahead").count(), "the end of the pause")
    assert [event["kind"] for event in program.events()].count("went_ahead") <= 1


def test_a_screen_is_told_neither_what_to_say_nor_that_it_is_not_heard(start, phone, server):
    program = start()
    screen = phone("wall")
    screen.open(program.address())
    screen.begin(screen=True)
    screen.shows("gloves")
    # With the sound of the rig everything at the rig is lost: the screen says what it costs, and nothing of an ear that it never was.
    server.daemon.kill()
    program.wait_for("microphone", patience=30)
    screen.wait(lambda: "no alarm sounds" in screen.page.inner_text("#notices"), "what is lost", 30)
    assert "hear" not in screen.page.inner_text("#notices")
    assert not screen.page.is_visible("#can-say")


def test_after_a_reload_the_first_page_says_that_a_run_goes_on_and_shows_its_alarm(start, phone):
    program = start("tank-dump", SHORT_RINSE + ROWAN)
    one = phone()
    one.open(program.address())
    one.wait(lambda: "A run goes on" in one.page.inner_text("#goes-on"), "that a run goes on")
    one.begin(screen=True)
    one.shows("gloves")
    press_until(one, lambda: clock_runs(one))
    one.page.reload()
    one.page.wait_for_selector("#start:not([hidden]) .clock")
    one.wait(lambda: one.page.locator("#start .clock.up").count(), "the alarm on the first page", 40)
    assert one.page.is_visible("#begin")
    is_accessible(one)
    one.hold("#start .clock button", 0.8)
    one.wait(lambda: any(event["kind"] == "clock_ended" for event in program.events()), "the end in the journal")
    one.begin(screen=True)
    one.page.wait_for_selector("#answers .confirm")


def test_an_emergency_card_is_begun_by_holding_its_title(start, phone):
    program = start()
    one = phone()
    one.open(program.address())
    one.begin(screen=True)
    one.shows("gloves")
    assert not one.page.is_visible("#cards")
    one.page.click("#emergency")
    card = "#cards button:has-text('hurt')"
    one.hold(card, 0.2)
    one.page.wait_for_timeout(500)
    assert "hurt" not in said(one).lower() + one.page.inner_text("#place").lower()
    stop_is_in_reach(one)
    is_accessible(one)
    one.hold(card, 0.8)
    one.wait(lambda: "hurt" in one.page.inner_text("#place").lower(), "the card")
    assert not one.page.is_visible("#cards")


def test_a_gray_button_says_why_it_is_gray(start, phone):
    program = start("tank-dump", BOTH, ("Rowan", "Imre"))
    one = phone()
    one.open(program.address())
    assert not one.page.is_enabled("#begin")
    assert "Pick your name" in one.page.inner_text("#pick")
    one.page.check("input[value=Rowan]")
    assert one.page.is_enabled("#begin") and not one.page.is_visible("#pick")
    one.page.check("#share")
    assert "both" in one.page.inner_text("#pick")
