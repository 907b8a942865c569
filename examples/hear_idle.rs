//! What an ear costs while nobody speaks and nothing is played: `cargo run --release --example hear_idle [MODELS]`.
//!
//! Prints the processor time of a frame of 10 ms, of the whole ear and of its parts. The program has spoken once before, so that the echo
//! canceller and what follows two clocks are there.

use std::path::PathBuf;

use etcetera::BaseStrategy;
use sparehand::audio::{FRAME_LEN, SAMPLE_RATE};
use sparehand::hear::detector::SpeechDetector;
use sparehand::hear::ear::{Ear, OwnVoiceState};
use sparehand::hear::echo::Echo;
use sparehand::hear::noise::pink;
use sparehand::onnx::environment;

#[path = "../tests/hear_support/processor.rs"]
mod processor;
use processor::processor_time_s;

type Frames<'a> = &'a [[f32; FRAME_LEN]];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let models = match std::env::args().nth(1) {
        Some(folder) => PathBuf::from(folder),
        None => etcetera::choose_base_strategy()?.data_dir().join("sparehand/models"),
    };
    let environment = environment(&models)?;
    let (loud, quiet) = (pink(1, 10 * SAMPLE_RATE, 0.05), pink(2, 60 * SAMPLE_RATE, 0.000_5));
    let (loud, quiet): (Frames, Frames) = (loud.as_chunks().0, quiet.as_chunks().0);
    let silence = [0.0; FRAME_LEN];

    let mut ear = Ear::new(SpeechDetector::in_folder(&environment, &models)?);
    for played in loud {
        ear.push_frame(&played.map(|sample| sample * 0.3), Some(played), OwnVoiceState::Speaking)?;
    }
    for mic in &quiet[..1_000] {
        ear.push_frame(mic, Some(&silence), OwnVoiceState::Silent)?;
        while ear.poll().is_some() {}
    }
    tell("whole ear", quiet, |mic| {
        ear.push_frame(mic, Some(&silence), OwnVoiceState::Silent)?;
        while ear.poll().is_some() {}
        Ok(())
    })?;

    let mut detector = SpeechDetector::in_folder(&environment, &models)?;
    tell("speech detector", quiet, |mic| detector.push(mic).map(drop).map_err(Into::into))?;

    let mut echo = Echo::new();
    for played in loud {
        echo.cancel(&played.map(|sample| sample * 0.3), played);
    }
    for mic in &quiet[..1_000] {
        echo.cancel(mic, &silence);
    }
    tell("echo canceller", quiet, |mic| {
        echo.cancel(mic, &silence);
        Ok(())
    })
}

/// Does `work` on each frame and prints what one cost.
fn tell(
    name: &str,
    frames: Frames,
    mut work: impl FnMut(&[f32; FRAME_LEN]) -> Result<(), Box<dyn std::error::Error>>,
) -> Result<(), Box<dyn std::error::Error>> {
    let began = processor_time_s()?;
    for frame in frames {
        work(frame)?;
    }
    let us = (processor_time_s()? - began) * 1e6 / frames.len() as f64;
    println!("{name}: {us:.1} us a frame, {:.2} % of a core", us / 100.0);
    Ok(())
}
