//! How often random play is played, and from which seed: `SPAREHAND_CASES` is the number of cases of each random play, and `SPAREHAND_SEED` the seed
//! of one that failed. Each prints its seed, which is shown where it fails.

use std::hash::{BuildHasher, Hasher, RandomState};

use proptest::test_runner::{Config, RngSeed};

/// So many cases, or what the environment says.
pub fn cases(usual: u32) -> u32 {
    number("SPAREHAND_CASES").unwrap_or(usual)
}

/// The seed that the environment names, or a new one.
pub fn seed() -> u64 {
    let seed = number("SPAREHAND_SEED").unwrap_or_else(|| RandomState::new().build_hasher().finish());
    println!("play again with SPAREHAND_SEED={seed}");
    seed
}

/// For a play of so many cases.
#[allow(dead_code, reason = "not every test binary plays by proptest")]
pub fn plays(usual: u32) -> Config {
    let cases = cases(usual);
    // What does not bear on a property may be played as often as usual for each case that does.
    Config { cases, max_global_rejects: 8 * cases.max(128), rng_seed: RngSeed::Fixed(seed()), ..Config::default() }
}

fn number<T: std::str::FromStr>(name: &str) -> Option<T> {
    let text = std::env::var(name).ok()?;
    Some(text.parse().unwrap_or_else(|_| panic!("{name}: found '{text}', expected a whole number")))
}
