//! A private PulseAudio server with two null sinks: what is played into `loudspeaker` can be recorded from its monitor, and
//! what a test person plays into `microphone` is what the program hears.

use std::fs;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tempfile::TempDir;

pub struct SoundServer {
    folder: TempDir,
    daemon: Child,
}

impl SoundServer {
    pub fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let socket = folder.path().join("pulse.sock");
        let daemon = Command::new("pulseaudio")
            .env("XDG_RUNTIME_DIR", folder.path())
            .env("HOME", folder.path())
            .args(["-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "--log-target=null"])
            .args(["-L", &format!("module-native-protocol-unix socket={} auth-anonymous=1", socket.display())])
            .args(["-L", "module-null-sink sink_name=loudspeaker rate=48000"])
            .args(["-L", "module-null-sink sink_name=microphone rate=48000"])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("pulseaudio is installed (./check installs it)");
        let server = Self { folder, daemon };
        for _ in 0..100 {
            if server
                .command("pactl")
                .arg("info")
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .status()
                .unwrap()
                .success()
            {
                server.must(&["set-default-sink", "loudspeaker"]);
                server.must(&["set-default-source", "microphone.monitor"]);
                return server;
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

    /// Plays a WAV file to the program's microphone, to its end.
    pub fn play(&self, wav: &Path) {
        assert!(self.command("paplay").arg("--device=microphone").arg(wav).status().unwrap().success());
    }

    /// Records what the program plays from now on.
    pub fn listen(&self) -> Ear {
        let mut recorder = self
            .command("parec")
            .args([
                "--device=loudspeaker.monitor",
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

impl Drop for SoundServer {
    fn drop(&mut self) {
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

impl Drop for Ear {
    fn drop(&mut self) {
        let _ = self.recorder.kill();
        let _ = self.recorder.wait();
    }
}

#[allow(clippy::disallowed_methods, reason = "a test person waits in real time")]
pub fn pause(span: Duration) {
    std::thread::sleep(span);
}

/// About -50 dBFS.
const LOUD: u16 = 100;
