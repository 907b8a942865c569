//! A private PulseAudio server with two null sinks: what is played into `loudspeaker` can be recorded from its monitor, and
//! what a test person plays into `microphone` is what the program hears.

use std::fs;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tempfile::TempDir;

/// Samples at 16 kHz after the sound, and share of it: the sound itself, and what two walls send back.
const REFLECTIONS: [(usize, f32); 3] = [(0, 1.0), (190, 0.3), (500, 0.15)];
/// What waits for the microphone's side of the echo path.
const LONGEST_QUEUE: Duration = Duration::from_millis(100);

pub struct SoundServer {
    folder: TempDir,
    daemon: Child,
    players: Mutex<Vec<Child>>,
}

impl SoundServer {
    pub fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let daemon = daemon(folder.path());
        let server = Self { folder, daemon, players: Mutex::default() };
        server.wait_until_it_answers();
        server
    }

    /// Kills the server as a crash does, waits, and starts it anew with the same devices.
    pub fn crash_and_come_back(&mut self, away: Duration) {
        let _ = self.daemon.kill();
        let _ = self.daemon.wait();
        pause(away);
        self.daemon = daemon(self.folder.path());
        self.wait_until_it_answers();
    }

    /// What the loudspeaker plays comes back into the microphone some 80 ms later, with two reflections, at this gain.
    ///
    /// Sound is carried sample for sample: the server's own loopback stretches and cuts it to keep its delay, by up to 7 ms a second,
    /// which no room does.
    pub fn echo(&self, gain: f32) {
        const FORMAT: [&str; 4] = ["--rate=16000", "--channels=1", "--format=s16le", "--raw"];
        let record = ["--device=loudspeaker.monitor", "--latency-msec=10"];
        let play = ["--device=microphone", "--latency-msec=60", "--playback"];
        let mut recorder = self.command("pacat");
        recorder.arg("--record").args(record).args(FORMAT).stdout(Stdio::piped());
        let mut recorder = recorder.spawn().expect("pacat is installed");
        let mut player = self.command("pacat");
        player.args(play).args(FORMAT).stdin(Stdio::piped());
        let mut player = player.spawn().expect("pacat is installed");
        let (mut from, mut to) = (recorder.stdout.take().unwrap(), player.stdin.take().unwrap());
        self.players.lock().unwrap().extend([recorder, player]);
        std::thread::spawn(move || {
            let mut past = std::collections::VecDeque::from(vec![0.0_f32; REFLECTIONS[2].0 + 1]);
            let mut bytes = [0u8; 320];
            let (mut queued, mut since) = (Duration::ZERO, now());
            while from.read_exact(&mut bytes).is_ok() {
                for pair in bytes.chunks_exact_mut(2) {
                    past.pop_front();
                    past.push_back(f32::from(i16::from_le_bytes([pair[0], pair[1]])));
                    let newest = past.len() - 1;
                    let sum: f32 = REFLECTIONS.iter().map(|&(late, share)| share * past[newest - late]).sum();
                    let step = (gain * sum).clamp(-32_768.0, 32_767.0) as i16;
                    pair.copy_from_slice(&step.to_le_bytes());
                }
                // Sound does not wait in the air when a machine is held up: what would come back later and later is lost instead.
                let passed = since.elapsed();
                since += passed;
                queued = queued.saturating_sub(passed);
                if queued > LONGEST_QUEUE {
                    continue;
                }
                queued += Duration::from_millis(10);
                if to.write_all(&bytes).is_err() {
                    break;
                }
            }
        });
    }

    fn wait_until_it_answers(&self) {
        for _ in 0..100 {
            if self.command("pactl").arg("info").stdout(Stdio::null()).stderr(Stdio::null()).status().unwrap().success()
            {
                self.must(&["set-default-sink", "loudspeaker"]);
                self.must(&["set-default-source", "microphone.monitor"]);
                return;
            }
            pause(Duration::from_millis(100));
        }
        panic!("the sound server did not start within 10 s");
    }

    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// A command that uses this server and no other.
    pub fn command(&self, program: impl AsRef<std::ffi::OsStr>) -> Command {
        let mut command = Command::new(program);
        command
            .env("XDG_RUNTIME_DIR", self.folder.path())
            .env("PULSE_SERVER", format!("unix:{}", self.folder.path().join("pulse.sock").display()));
        command
    }

    fn must(&self, arguments: &[&str]) {
        assert!(self.command("pactl").args(arguments).status().unwrap().success(), "pactl {arguments:?}");
    }

    /// The loudspeaker stands still, and reports nothing; or goes on.
    pub fn hold_loudspeaker(&self, held: bool) {
        self.must(&["suspend-sink", "loudspeaker", if held { "1" } else { "0" }]);
    }

    /// Somebody pulls the microphone out.
    pub fn pull_microphone_out(&self) {
        self.unload("sink_name=microphone");
    }

    /// Every device goes off; as it usually does, the server plays what is played into nothing then.
    pub fn switch_everything_off(&self) {
        self.must(&["load-module", "module-always-sink"]);
        self.unload("sink_name=loudspeaker");
        self.unload("sink_name=microphone");
    }

    /// And on again.
    pub fn switch_everything_on(&self) {
        for name in ["loudspeaker", "microphone"] {
            self.must(&["load-module", "module-null-sink", &format!("sink_name={name}")]);
        }
        self.must(&["set-default-sink", "loudspeaker"]);
        self.must(&["set-default-source", "microphone.monitor"]);
    }

    fn unload(&self, what: &str) {
        let listed = self.command("pactl").args(["list", "short", "modules"]).output().unwrap();
        let listed = String::from_utf8(listed.stdout).unwrap();
        let module = listed.lines().find(|line| line.contains(what)).expect("it is loaded");
        self.must(&["unload-module", module.split_whitespace().next().unwrap()]);
    }

    /// Somebody plugs one of the same name in, which runs at another rate.
    pub fn plug_microphone_in(&self, rate: u32) {
        let description = "sink_properties=device.description=Microphone";
        self.must(&["load-module", "module-null-sink", "sink_name=microphone", &format!("rate={rate}"), description]);
    }

    /// The microphone gives nothing but silence from now on.
    pub fn mute_microphone(&self) {
        self.must(&["set-source-mute", "microphone.monitor", "1"]);
    }

    /// Plays a WAV file to the program's microphone, to its end.
    pub fn play(&self, wav: &Path) {
        assert!(self.command("paplay").arg("--device=microphone").arg(wav).status().unwrap().success());
    }

    /// From now on something hums and rushes beside the microphone: noise that falls by 6 dB an octave above 300 Hz, as tyres on a
    /// road do at a distance (model: white noise through one pole), with this RMS, full scale 1.0.
    pub fn hum(&self, rms: f32) {
        let path = self.folder.path().join("hum.wav");
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: 16_000,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        let pole = (-std::f32::consts::TAU * 300.0 / 16_000.0).exp();
        // Of uniform noise from -1 to 1, and of a one-pole filter of unit white noise.
        let gain = rms / ((1.0_f32 / 3.0).sqrt() * ((1.0 - pole) / (1.0 + pole)).sqrt());
        let (mut state, mut held) = (0x2545_f491_4f6c_dd1d_u64, 0.0_f32);
        for _ in 0..15 * 60 * 16_000 {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            let white = (state >> 40) as f32 / (1u64 << 23) as f32 - 1.0;
            held = pole * held + (1.0 - pole) * white;
            writer.write_sample((held * gain * 32_767.0) as i16).unwrap();
        }
        writer.finalize().unwrap();
        let player = self.command("paplay").arg("--device=microphone").arg(&path).spawn().expect("paplay is installed");
        self.players.lock().unwrap().push(player);
    }

    /// Records what the program plays from now on.
    pub fn listen(&self) -> Ear {
        self.record("loudspeaker.monitor")
    }

    /// Records what the program hears from now on.
    pub fn listen_to_microphone(&self) -> Ear {
        self.record("microphone.monitor")
    }

    fn record(&self, source: &str) -> Ear {
        let mut recorder = self
            .command("parec")
            .args([
                &format!("--device={source}"),
                "--rate=16000",
                "--channels=1",
                "--format=s16le",
                "--latency-msec=20",
            ])
            .stdout(Stdio::piped())
            .spawn()
            .expect("parec is installed");
        let samples = Arc::new(Mutex::new(Vec::new()));
        let kept = Arc::clone(&samples);
        let mut sound = recorder.stdout.take().unwrap();
        std::thread::spawn(move || {
            let mut bytes = [0u8; 640];
            while sound.read_exact(&mut bytes).is_ok() {
                let frame = bytes.chunks_exact(2).map(|pair| i16::from_le_bytes([pair[0], pair[1]]));
                kept.lock().unwrap().extend(frame);
            }
        });
        Ear { recorder, samples }
    }
}

fn daemon(folder: &Path) -> Child {
    let socket = folder.join("pulse.sock");
    let _ = fs::remove_file(&socket);
    Command::new("pulseaudio")
        .env("XDG_RUNTIME_DIR", folder)
        .env("HOME", folder)
        .args(["-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "--log-target=null"])
        .args(["-L", &format!("module-native-protocol-unix socket={} auth-anonymous=1", socket.display())])
        .args([
            "-L",
            "module-null-sink sink_name=loudspeaker rate=48000 sink_properties=device.description=Loudspeaker",
        ])
        .args(["-L", "module-null-sink sink_name=microphone rate=48000 sink_properties=device.description=Microphone"])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("pulseaudio is installed (./check installs it)")
}

impl Drop for SoundServer {
    fn drop(&mut self) {
        for player in self.players.lock().unwrap().iter_mut() {
            let _ = player.kill();
            let _ = player.wait();
        }
        let _ = self.daemon.kill();
        let _ = self.daemon.wait();
    }
}

/// A recording in progress, 16 kHz mono.
pub struct Ear {
    recorder: Child,
    samples: Arc<Mutex<Vec<i16>>>,
}

impl Ear {
    /// How long it has been quiet, up to now.
    pub fn quiet_for(&self) -> Duration {
        let samples = self.samples.lock().unwrap();
        let quiet = samples.rchunks(320).take_while(|piece| piece.iter().all(|s| s.unsigned_abs() < LOUD)).count();
        Duration::from_millis(20 * quiet as u64)
    }

    pub fn samples_so_far(&self) -> usize {
        self.samples.lock().unwrap().len()
    }

    /// The first and the last sample that is loud, of those since then, rounded to 5 ms.
    pub fn loud_since(&self, from: usize) -> Option<(usize, usize)> {
        let samples = self.samples.lock().unwrap();
        let loud = |piece: &[i16]| piece.iter().any(|s| s.unsigned_abs() >= 2 * LOUD);
        let pieces: Vec<bool> = samples[from..].chunks(80).map(loud).collect();
        let first = pieces.iter().position(|loud| *loud)?;
        let last = pieces.iter().rposition(|loud| *loud)?;
        Some((from + 80 * first, from + 80 * (last + 1)))
    }

    /// What was played since then, from its first loud moment to its last.
    pub fn voice_since(&self, from: usize) -> Spoken {
        let samples = self.samples.lock().unwrap();
        let is_loud = |piece: &&[i16]| piece.iter().any(|s| s.unsigned_abs() >= LOUD);
        let pieces: Vec<&[i16]> = samples[from..].chunks(320).collect();
        let skip = pieces.iter().take_while(|piece| !is_loud(piece)).count();
        let spare = pieces.iter().rev().take_while(|piece| !is_loud(piece)).count();
        let voice = &pieces[skip..(pieces.len() - spare).max(skip)];
        let loud: Vec<f32> = voice
            .iter()
            .filter(|piece| is_loud(piece))
            .flat_map(|piece| piece.iter().map(|s| (f32::from(*s) / 32_768.0).powi(2)))
            .collect();
        Spoken { seconds: 0.02 * voice.len() as f32, rms: (loud.iter().sum::<f32>() / loud.len().max(1) as f32).sqrt() }
    }

    /// Everything that was played, cut at pauses, as WAV files in `folder`.
    pub fn utterances(&self, folder: &Path) -> Vec<PathBuf> {
        let samples = self.samples.lock().unwrap();
        let loud: Vec<bool> = samples.chunks(320).map(|p| p.iter().any(|s| s.unsigned_abs() >= LOUD)).collect();
        let mut pieces: Vec<(usize, usize)> = Vec::new();
        for (at, _) in loud.iter().enumerate().filter(|(_, loud)| **loud) {
            match pieces.last_mut() {
                // A quarter of a second lies between sentences: pauses longer than that cut.
                Some((_, end)) if at - *end <= 10 => *end = at,
                _ => pieces.push((at, at)),
            }
        }
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: 16_000,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        fs::create_dir_all(folder).unwrap();
        let mut files = Vec::new();
        for (number, (from, to)) in pieces.into_iter().filter(|(from, to)| to - from > 10).enumerate() {
            let path = folder.join(format!("{number:03}.wav"));
            let mut writer = hound::WavWriter::create(&path, spec).unwrap();
            let range = from.saturating_sub(10) * 320..((to + 10) * 320).min(samples.len());
            samples[range].iter().for_each(|s| writer.write_sample(*s).unwrap());
            writer.finalize().unwrap();
            files.push(path);
        }
        files
    }
}

/// Speech: how long from beginning to end, and its level where it is loud, full scale 1.0.
#[derive(Clone, Copy, Debug)]
pub struct Spoken {
    pub seconds: f32,
    pub rms: f32,
}

impl Spoken {
    /// So many words in it a minute.
    pub fn a_minute(&self, words: usize) -> f32 {
        words as f32 * 60.0 / self.seconds
    }
}

impl Drop for Ear {
    fn drop(&mut self) {
        let _ = self.recorder.kill();
        let _ = self.recorder.wait();
    }
}

#[allow(clippy::disallowed_methods, reason = "sound goes through the air in real time")]
fn now() -> std::time::Instant {
    std::time::Instant::now()
}

#[allow(clippy::disallowed_methods, reason = "a test person waits in real time")]
pub fn pause(span: Duration) {
    std::thread::sleep(span);
}

/// About -50 dBFS.
const LOUD: u16 = 100;
