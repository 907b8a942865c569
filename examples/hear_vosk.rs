//! How often Vosk with its small Korean model hears what was said, what it takes other speech for, and what that costs. Makes the
//! tables of `docs/hearing/vosk.md`; every clip is a line on standard error.
//!
//! `sparehand fetch --with korean && cargo run --release --example hear_vosk -- MODELS`, with espeak-ng installed. Phrases and talk
//! are of our own invention.

use std::path::Path;
use std::process::Command;

use sparehand::audio::SAMPLE_RATE;
use sparehand::audio::wav;
use sparehand::engine::input::Certainty;
use sparehand::engine::output::{AllowedPhrase, PhraseClass, Prior};
use sparehand::hear::noise::{pink, rms};
use sparehand::setup::clock::Clock;
use sparehand::speech::recogniser::{Ready, Recogniser};
use sparehand::speech::vosk::{Vosk, VoskSettings, fetched_library};

type Failure = Box<dyn std::error::Error>;

#[derive(Default)]
struct Tally {
    clips: usize,
    right: [usize; 3],
    wrong: [usize; 3],
    took_ms: Vec<f64>,
}

struct Bench {
    vosk: Vosk,
    phrases: Vec<AllowedPhrase>,
    ready: Ready,
    clock: Clock,
}

fn main() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [models] = arguments.as_slice() else {
        return Err("expected MODELS, the folder that `sparehand fetch` fills".into());
    };
    let models = Path::new(models);
    let clock = Clock::start();
    let before = resident_mb()?;
    let settings = VoskSettings { library: fetched_library(models), model: models.join("korean"), fillers: None };
    let mut vosk = Vosk::load(&settings)?;
    println!("loading: {:.2} s, {:.0} MB", clock.since_start().as_secs_f64(), resident_mb()? - before);
    let ready = vosk.prepare(&PHRASES)?;
    let phrase = |(group, text): (u32, &str)| AllowedPhrase {
        text: text.to_owned(),
        class: PhraseClass::Critical,
        group,
        while_speaking: false,
        prior: Prior::Allowed,
    };
    let phrases = (0..).zip(PHRASES).map(phrase).collect();
    let mut bench = Bench { vosk, phrases, ready, clock };
    println!(
        "| | clips | right: sure | thin | asked about | wrong: sure | thin | asked about | refused | ms, median | longest |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |");
    for (name, voices, speeds) in [("seen", SEEN_VOICES, &[150, 175][..]), ("not seen", NEW_VOICES, &[140, 160, 185])] {
        for &voice in voices {
            let said = PHRASES.iter().flat_map(|&text| speeds.iter().map(move |&speed| (text, voice, speed)));
            bench.hear(&format!("phrases, {name}, {voice}"), said, 40.0)?;
        }
    }
    let new = || NEW_VOICES.iter().flat_map(|&voice| PHRASES.iter().map(move |&text| (text, voice, 160)));
    bench.hear("phrases, not seen, 20 dB", new(), 20.0)?;
    bench.hear("phrases, not seen, 10 dB", new(), 10.0)?;
    for (name, voices, talk) in [
        ("Korean talk, seen", SEEN_VOICES, &SEEN_TALK[..]),
        ("Korean talk, not seen", NEW_VOICES, &NEW_TALK[..]),
        ("English talk", &["en-us", "en-gb", "en-us+f3"], &ENGLISH[..]),
    ] {
        let said = talk
            .iter()
            .flat_map(|&text| voices.iter().flat_map(move |&voice| [145, 175].map(|speed| (text, voice, speed))));
        bench.hear(name, said, 40.0)?;
    }
    let (text, voice) = ("왼쪽 뒷바퀴 공기가 조금 빠진 것 같아", "ko");
    let note = in_noise(&spoken(text, voice, 160)?, 40.0, 1);
    let from = bench.clock.since_start();
    let written = bench.vosk.write_down(&note)?;
    let took = bench.clock.since_start().saturating_sub(from).as_secs_f64();
    println!(
        "a note of {:.1} s: {took:.1} s; said: {text}; written down: {written}",
        note.len() as f64 / SAMPLE_RATE as f64
    );
    println!("memory at the end: {:.0} MB", resident_mb()? - before);
    Ok(())
}

impl Bench {
    /// Hears each (text, voice, words a minute) at `snr` decibels over pink noise, and prints a row.
    fn hear<'a>(
        &mut self,
        kind: &str,
        said: impl Iterator<Item = (&'a str, &'a str, u32)>,
        snr: f32,
    ) -> Result<(), Failure> {
        let mut tally = Tally::default();
        for (seed, (text, voice, speed)) in (1..).zip(said) {
            let clip = in_noise(&spoken(text, voice, speed)?, snr, seed);
            let from = self.clock.since_start();
            let (ranking, verdict) = self.vosk.recognise(&clip, &self.ready, &self.phrases)?;
            tally.took_ms.push(self.clock.since_start().saturating_sub(from).as_secs_f64() * 1e3);
            tally.clips += 1;
            let best = verdict.best.map_or("-", |best| self.phrases[best].text.as_str());
            let place = verdict.accepted.map(|certainty| match certainty {
                Certainty::Sure => 0,
                Certainty::Thin => 1,
                Certainty::Doubtful => 2,
            });
            match place {
                Some(place) if best == text => tally.right[place] += 1,
                Some(place) => tally.wrong[place] += 1,
                None => {}
            }
            eprintln!(
                "{kind}\t{text}\t{voice}\t{speed}\t{best}\t{:.1}\t{:.1}\t{:?}\t{}",
                verdict.score, verdict.margin, verdict.accepted, ranking.free.text
            );
        }
        let refused = tally.clips - tally.right.iter().chain(&tally.wrong).sum::<usize>();
        tally.took_ms.sort_by(f64::total_cmp);
        let (median, longest) = (tally.took_ms[tally.clips / 2], tally.took_ms[tally.clips - 1]);
        let ([sure, thin, asked], [wrong_sure, wrong_thin, wrong_asked]) = (tally.right, tally.wrong);
        println!(
            "| {kind} | {} | {sure} | {thin} | {asked} | {wrong_sure} | {wrong_thin} | {wrong_asked} | {refused} | {median:.0} | {longest:.0} |",
            tally.clips
        );
        Ok(())
    }
}

/// `text` by espeak-ng at 16 kHz, at an RMS of 0.05 of full scale, without silence around it.
fn spoken(text: &str, voice: &str, speed: u32) -> Result<Vec<f32>, Failure> {
    let file = tempfile::NamedTempFile::with_suffix(".wav")?;
    let done = Command::new("espeak-ng")
        .args(["-v", voice, "-s", &speed.to_string(), "-w"])
        .arg(file.path())
        .arg(text)
        .status()?;
    if !done.success() {
        return Err(format!("espeak-ng -v {voice} ended with {done}").into());
    }
    let samples = wav::read(file.path())?;
    let block = SAMPLE_RATE / 100;
    let loudest = samples.chunks(block).map(rms).fold(0.0, f32::max);
    let quiet = |piece: &&[f32]| rms(piece) < 0.02 * loudest;
    let skip = samples.chunks(block).take_while(quiet).count() * block;
    let spare = samples.rchunks(block).take_while(quiet).count() * block;
    let word = &samples[skip..samples.len() - spare];
    let gain = 0.05 / rms(word);
    Ok(word.iter().map(|sample| sample * gain).collect())
}

/// With 0.5 s before and 0.3 s after it, as the listener hands an utterance over.
fn in_noise(word: &[f32], snr: f32, seed: u64) -> Vec<f32> {
    let (before, after) = (SAMPLE_RATE / 2, SAMPLE_RATE * 3 / 10);
    let mut clip = pink(seed, before + word.len() + after, rms(word) * 10_f32.powf(-snr / 20.0));
    clip[before..].iter_mut().zip(word).for_each(|(sample, word)| *sample += word);
    clip
}

/// Resident memory of this process, in megabytes (Linux).
fn resident_mb() -> Result<f64, Failure> {
    let status = std::fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).ok_or("no VmRSS in /proc/self/status")?;
    let kilobytes: f64 = line.split_whitespace().nth(1).ok_or("no figure after VmRSS")?.parse()?;
    Ok(kilobytes / 1024.0)
}

/// The limits were chosen on these voices (at 150 and 175 words a minute) and on the talk that is called seen.
const SEEN_VOICES: &[&str] = &["ko", "ko+f2", "ko+m3"];
const NEW_VOICES: &[&str] = &["ko+f4", "ko+f5", "ko+m1", "ko+m7"];

const PHRASES: [&str; 30] = [
    "예",
    "아니요",
    "완료",
    "멈춰",
    "다시 말해",
    "설명해 줘",
    "밸브 닫힘",
    "밸브 열림",
    "검은 밸브 닫힘",
    "검은 밸브 열림",
    "호스 분리",
    "물 켜짐",
    "물 꺼짐",
    "전기 켜짐",
    "전기 꺼짐",
    "가스 잠김",
    "가스 열림",
    "계단 올림",
    "문 잠김",
    "창문 닫힘",
    "창문 열림",
    "계속해",
    "소리 크게",
    "소리 작게",
    "정정",
    "아직 더러워",
    "준비 됐어",
    "다 했어",
    "기다려",
    "그만",
];

const SEEN_TALK: [&str; 12] = [
    "오늘 점심 뭐 먹을까",
    "내일은 비가 온다고 했어",
    "여보 열쇠 어디 있어",
    "밸브가 어디 있는지 모르겠어",
    "물 좀 마실래",
    "안녕하세요",
    "고마워",
    "괜찮아",
    "여기야",
    "바람이 불어",
    "사진 찍자",
    "쓰레기 버려",
];

const NEW_TALK: [&str; 36] = [
    "저녁에 고기 구워 먹자",
    "주말에 바다 보러 갈래",
    "옆집 사람들이 벌써 떠났어",
    "지도를 다시 보는 게 좋겠어",
    "냉장고에 우유가 없네",
    "아이가 문을 열어 놓고 갔어",
    "물이 너무 차가워",
    "전기 난로 좀 꺼 줘",
    "가스레인지를 닦아야 해",
    "밸브를 새로 바꿨어",
    "창문 옆에 앉을래",
    "호스가 너무 짧아",
    "계단이 미끄러우니까 조심해",
    "소리가 너무 시끄러워",
    "우리 언제 출발해",
    "신발이 젖었어",
    "달이 밝네",
    "모기가 많아",
    "잘 잤어",
    "맛있다",
    "천천히 와",
    "왼쪽이야",
    "조금만 더",
    "어디야",
    "진짜",
    "글쎄",
    "좋아",
    "싫어",
    "알았어",
    "잠깐",
    "빨리 와",
    "내가 할게",
    "그거 말고",
    "어제 말했잖아",
    "설명서가 어디 있지",
    "준비물이 뭐였지",
];

const ENGLISH: [&str; 20] = [
    "what is for lunch today",
    "I think it is going to rain",
    "where did you put the keys",
    "hello",
    "thank you",
    "the dog wants to go out",
    "nice to meet you",
    "look at that truck",
    "see you tomorrow",
    "turn left at the corner",
    "can you hear me",
    "my phone is ringing",
    "okay",
    "good morning",
    "we should buy some milk",
    "the water is cold",
    "close the door please",
    "no problem",
    "what time is it",
    "that was a good movie",
];
