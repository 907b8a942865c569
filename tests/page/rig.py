"""A rig with its sound server, phones with a microphone and a loudspeaker each, and the voices of test persons."""

import os
import re
import signal
import sqlite3
import subprocess
import threading
import time
import wave
from pathlib import Path

import numpy as np
from playwright.sync_api import sync_playwright

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = ROOT / "target/release/sparehand"
CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--use-fake-ui-for-media-stream",
    "--autoplay-policy=user-gesture-required",
]
RATE = 16_000


class SoundServer:
    """A private PulseAudio: for each name a sink that is heard and one that is played into as a microphone."""

    def __init__(self, folder, names):
        self.folder = Path(folder)
        self.socket = self.folder / "pulse.sock"
        self.players = []
        loads = [f"module-native-protocol-unix socket={self.socket} auth-anonymous=1"]
        for name in names:
            loads += [
                f"module-null-sink sink_name={name}-out rate=48000",
                f"module-null-sink sink_name={name}-in rate=48000",
                # A browser does not offer monitors as microphones.
                f"module-remap-source source_name={name}-mic master={name}-in.monitor",
            ]
        arguments = [word for load in loads for word in ("-L", load)]
        self.daemon = subprocess.Popen(
            ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "--log-target=null", *arguments],
            env={**os.environ, "XDG_RUNTIME_DIR": str(folder), "HOME": str(folder)},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for _ in range(100):
            if self.run("pactl", "info").returncode == 0:
                break
            time.sleep(0.1)
        else:
            raise RuntimeError("the sound server did not start within 10 s")
        self.run("pactl", "set-default-sink", f"{names[0]}-out")
        self.run("pactl", "set-default-source", f"{names[0]}-mic")

    def environment(self, name):
        return {
            **os.environ,
            "XDG_RUNTIME_DIR": str(self.folder),
            "PULSE_SERVER": f"unix:{self.socket}",
            "PULSE_SINK": f"{name}-out",
            "PULSE_SOURCE": f"{name}-mic",
        }

    def run(self, *command):
        return subprocess.run(command, env=self.environment("rig"), capture_output=True, text=True)

    def play(self, name, clip):
        """Plays a clip into somebody's microphone, to its end."""
        done = self.run("paplay", f"--device={name}-in", str(clip))
        assert done.returncode == 0, done.stderr

    def record(self, name):
        return Recording(self, name)

    def stamped(self, sink):
        return StampedEar(self, sink)

    def close(self):
        for player in self.players:
            player.kill()
            player.wait()
        self.daemon.kill()
        self.daemon.wait()


class Recording:
    """What a loudspeaker plays from now on."""

    def __init__(self, server, name):
        self.path = server.folder / f"{name}-{time.monotonic_ns()}.raw"
        self.file = open(self.path, "wb")
        command = ["parec", f"--device={name}-out.monitor", f"--rate={RATE}", "--channels=1", "--format=s16le", "--raw", "--latency-msec=10"]
        self.process = subprocess.Popen(command, env=server.environment("rig"), stdout=self.file)
        server.players.append(self.process)

    def samples(self):
        data = self.path.read_bytes()
        return np.frombuffer(data[: len(data) // 2 * 2], dtype="<i2")

    def quiet_for(self):
        """Seconds since anything was to be heard."""
        samples = self.samples()
        loud = np.nonzero(np.abs(samples.astype(np.int32)) >= 100)[0]
        return (len(samples) - (loud[-1] if len(loud) else 0)) / RATE


class StampedEar:
    """When each 10 ms of what a sink plays arrived, and whether it was loud. Right to some 20 ms."""

    def __init__(self, server, sink):
        command = ["parec", f"--device={sink}.monitor", f"--rate={RATE}", "--channels=1", "--format=s16le", "--raw", "--latency-msec=10"]
        self.process = subprocess.Popen(command, env=server.environment("rig"), stdout=subprocess.PIPE)
        server.players.append(self.process)
        self.loud = []
        threading.Thread(target=self.listen, daemon=True).start()

    def listen(self):
        while piece := self.process.stdout.read(RATE // 100 * 2):
            if np.abs(np.frombuffer(piece[: len(piece) // 2 * 2], dtype="<i2").astype(int)).max(initial=0) >= 300:
                self.loud.append(time.monotonic())

    def first_loud(self, since):
        return next((at for at in list(self.loud) if at > since), None)

    def last_loud(self, since):
        return next((at for at in reversed(list(self.loud)) if at > since), None)


def clip(folder, voice, text):
    """The words in a voice of flite or espeak-ng, made once."""
    folder = Path(folder) / "clips"
    folder.mkdir(exist_ok=True)
    path = folder / f"{voice}-{re.sub('[^a-z]+', '-', text)}.wav"
    if not path.exists():
        if voice.startswith("en"):
            command = ["espeak-ng", "-v", voice, "-s", "140", "-w", path, text]
        else:
            command = ["flite", "-voice", voice, "-t", text, "-o", path]
        subprocess.run(command, check=True)
    return path


class Program:
    """A live run, with the lines that it prints."""

    def __init__(self, server, routine, rig, *more, home=None):
        folder = server.folder
        home = Path(home or folder / "home")
        home.mkdir(exist_ok=True)
        (folder / "rig.toml").write_text(rig)
        self.journal = folder / "journal.sqlite"
        self.out = folder / "out.txt"
        models = Path(os.environ.get("XDG_DATA_HOME", Path.home() / ".local/share")) / "sparehand/models"
        data = home / "data/sparehand"
        data.mkdir(parents=True, exist_ok=True)
        if not (data / "models").exists():
            (data / "models").symlink_to(models)
        cache = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache"))
        self.environment = {
            **server.environment("rig"),
            "XDG_DATA_HOME": str(home / "data"),
            "XDG_CONFIG_HOME": str(home / "config"),
            "XDG_CACHE_HOME": str(cache),
            "RUST_LOG": "sparehand::server=debug,sparehand::conductor=debug",
        }
        command = [PROGRAM, "run", routine, "--rig", folder / "rig.toml", "--journal", self.journal]
        command += ["--phones", "--address", "127.0.0.1", "--port", "0", "--anew", *more]
        self.file = open(self.out, "wb")
        self.errors = open(folder / "errors.txt", "ab")
        self.process = subprocess.Popen(
            command, env=self.environment, stdin=subprocess.DEVNULL, stdout=self.file, stderr=self.errors
        )

    def text(self):
        return self.out.read_text(errors="replace")

    def wait_for(self, what, times=1, patience=60.0):
        """Waits until lines that hold this are there, and gives the last of them."""
        until = time.monotonic() + patience
        while time.monotonic() < until:
            lines = [line for line in self.text().splitlines() if re.search(what, line)]
            if len(lines) >= times:
                return lines[-1]
            if self.process.poll() is not None:
                break
            time.sleep(0.05)
        raise AssertionError(f"'{what}' did not come {times} times within {patience} s:\n{self.text()}")

    def address(self):
        """An address that lets a phone in, as a command of the same user shows it; it goes on in the next line where it is long."""
        self.wait_for("Phones are let in at")
        shown = self.command("phones", "--invite")
        assert shown.returncode == 0, shown.stderr
        beside = "".join(re.sub(".*[\u2580\u2584\u2588]", "", line).strip() for line in shown.stdout.splitlines())
        return re.search("https:\\S+#k=[0-9a-f]{32}", beside)[0]

    def command(self, *arguments):
        return subprocess.run([PROGRAM, *arguments], env=self.environment, capture_output=True, text=True)

    def events(self):
        """Kinds and contents of what is on record, in order."""
        import json

        with sqlite3.connect(f"file:{self.journal}?mode=ro", uri=True) as journal:
            rows = journal.execute("select json from event order by run, seq").fetchall()
        return [json.loads(row[0]) for row in rows]

    def close(self):
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(5)
            except subprocess.TimeoutExpired:
                self.process.kill()
        self.file.close()
        self.errors.close()


class Phone:
    """A browser of its own, with its own microphone and loudspeaker."""

    def __init__(self, playwright, server, name, size=(390, 844), dark=True, trust=(), fake=None, home=None, **more):
        self.server = server
        self.name = name
        # Without anything that lets a certificate pass: the warning is clicked away as a person does.
        flags = [*FLAGS, *trust]
        if fake:
            flags += ["--use-fake-device-for-media-stream", f"--use-file-for-fake-audio-capture={fake}%noloop"]
        self.context = playwright.chromium.launch_persistent_context(
            str(server.folder / f"profile-{name}-{time.monotonic_ns()}"),
            executable_path=CHROMIUM,
            args=flags,
            ignore_default_args=["--mute-audio"],
            headless=True,
            env={**server.environment(name), **({"HOME": str(home)} if home else {})},
            viewport={"width": size[0], "height": size[1]},
            device_scale_factor=2,
            has_touch=True,
            color_scheme="dark" if dark else "light",
            **more,
        )
        self.page = self.context.pages[0]
        self.console = []
        self.page.on("console", lambda message: self.console.append(f"{message.type}: {message.text}"))
        self.page.on("pageerror", lambda error: self.console.append(f"error: {error}"))

    def open(self, address):
        """Opens an address and goes past the warning."""
        try:
            self.page.goto(address)
        except Exception as error:
            if "ERR_CERT" not in str(error):
                raise
            # The warning is a page of its own, which comes a moment later.
            self.page.click("#details-button", timeout=15_000)
            self.page.click("#proceed-link")
        self.page.wait_for_selector("#start:not([hidden]), #bar:not([hidden])", timeout=15_000)

    def begin(self, name=None, screen=False):
        if name and self.page.locator("#names").is_visible():
            self.page.check(f"input[value={name}]")
        self.page.click("#only-screen" if screen else "#begin")
        self.page.wait_for_selector("#run:not([hidden])")

    def shows(self, text, patience=15.0):
        """Waits until what is shown of the run, or beside its buttons, holds this."""
        shown = lambda: (self.page.inner_text("#run") + self.page.inner_text("#foot")).lower()
        return self.wait(lambda: text.lower() in shown(), f"'{text}' on the screen", patience)

    def wait(self, is_so, what, patience=15.0):
        until = time.monotonic() + patience
        while time.monotonic() < until:
            if is_so():
                return
            self.page.wait_for_timeout(50)
        raise AssertionError(f"{what} did not come within {patience} s:\n{self.page.inner_text('body')}\n{self.console}")

    def hold(self, selector, seconds):
        """A thumb that stays so long."""
        box = self.page.locator(selector).bounding_box()
        self.page.locator(selector).scroll_into_view_if_needed()
        box = self.page.locator(selector).bounding_box()
        self.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        self.page.mouse.down()
        self.page.wait_for_timeout(seconds * 1000)
        self.page.mouse.up()

    def say(self, voice, text):
        self.server.play(self.name, clip(self.server.folder, voice, text))

    def close(self):
        self.context.close()


def playwright():
    return sync_playwright()


def kept_sound(path):
    """Both channels of a kept sound, full scale 1."""
    with wave.open(str(path)) as file:
        width = file.getsampwidth()
        data = file.readframes(file.getnframes())
        kind = {2: "<i2", 4: "<f4"}[width]
        samples = np.frombuffer(data, dtype=kind).reshape(-1, file.getnchannels()).astype(np.float64)
        return samples / (32_768 if width == 2 else 1)
