//! Speaks above the noise: how much louder, and whether slower, from what the microphone hears of the noise and of the voice.

/// How the voice is changed in noise.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct InNoise {
    /// Added to the volume that the person has set, in decibels, 0 and up.
    pub extra_db: f32,
    /// The loudspeaker cannot get above the noise: words are said slowly instead.
    pub slow: bool,
}

/// Follows the noise from utterance to utterance.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct LoudEnough {
    now: InNoise,
    /// The noise as the session began, in decibels below full scale of the microphone.
    at_first: Option<f32>,
    /// The noise as the last utterance began.
    before: Option<f32>,
}

impl LoudEnough {
    /// An utterance begins, in this noise (decibels below full scale of the microphone); `None` where nothing is known of it yet, as
    /// before the first pause of a session.
    pub fn begins(&mut self, floor_dbfs: Option<f32>) {
        self.at_first = self.at_first.or(floor_dbfs);
        self.before = floor_dbfs;
    }

    /// It has ended. `own_dbfs` is what the microphone heard meanwhile, voice and noise together; `None` where it was too short to
    /// tell. Gives how to speak from now on.
    ///
    /// At least 15 dB above the noise (ISO 7731:2003, A-weighted; here as the microphone hears both), as far as the loudspeaker goes.
    /// A microphone that does not hear the loudspeaker (a headset) tells nothing of that: then the voice rises as the noise has.
    pub fn ended(&mut self, own_dbfs: Option<f32>, floor_dbfs: Option<f32>) -> InNoise {
        let Some(floor_dbfs) = floor_dbfs else { return self.now };
        let first = *self.at_first.get_or_insert(floor_dbfs);
        let above =
            own_dbfs.filter(|own| *own - floor_dbfs >= AUDIBLE_DB).map(|own| without(own, floor_dbfs) - floor_dbfs);
        let wanted = match above {
            // What is loud enough comes down slowly, so that a lull does not make the next sentence too soft.
            Some(above) if above > ABOVE_NOISE_DB => self.now.extra_db - (above - ABOVE_NOISE_DB).min(DOWN_DB),
            Some(above) => self.now.extra_db + (ABOVE_NOISE_DB - above),
            None => floor_dbfs.max(QUIETEST_DBFS) - first.max(QUIETEST_DBFS),
        };
        let extra_db = wanted.clamp(0.0, MOST_EXTRA_DB);
        // Slow words measure a little louder: whoever went back to fast ones for that would do so at every second sentence.
        let missing = if self.now.slow { 0.0 } else { SLOW_DB };
        self.now = InNoise { extra_db, slow: wanted > extra_db + missing };
        self.now
    }

    /// Whether the noise has risen so much since the utterance began that it is to be said once more.
    pub fn drowned(&self, floor_dbfs: Option<f32>) -> bool {
        let (Some(before), Some(now)) = (self.before, floor_dbfs) else { return false };
        now >= LEAST_NOISE_DBFS && now - before >= DROWNED_DB
    }
}

/// The level of the voice alone, of voice and noise together.
fn without(both_dbfs: f32, noise_dbfs: f32) -> f32 {
    let power = |dbfs: f32| 10.0_f32.powf(dbfs / 10.0);
    10.0 * (power(both_dbfs) - power(noise_dbfs)).max(1e-12).log10()
}

/// ISO 7731:2003, 5.2.2.1: the signal exceeds the ambient noise by more than 15 dB (by A-weighted level).
const ABOVE_NOISE_DB: f32 = 15.0;
/// Less than this above the noise is not the loudspeaker's doing for sure.
const AUDIBLE_DB: f32 = 3.0;
const DOWN_DB: f32 = 1.5;
/// The voice's own range; the limiter keeps the peaks.
const MOST_EXTRA_DB: f32 = 6.0;
/// So much is missing for the words to be said slowly from now on.
const SLOW_DB: f32 = 3.0;
/// Half of what is known of the noise by then is from before: a rise of 10 dB shows as some 7.
const DROWNED_DB: f32 = 6.0;
/// Quieter than this a microphone says nothing of the place: digital silence is no noise that could rise.
const QUIETEST_DBFS: f32 = -60.0;
/// Softer than this nothing drowns a voice.
const LEAST_NOISE_DBFS: f32 = -50.0;

#[cfg(test)]
mod tests {
    use super::*;
    use rstest::rstest;

    /// A room in which the voice arrives at `voice_dbfs` without extra, said so often in each noise. Gives the last state and how
    /// far the voice is above the noise then.
    fn room(voice_dbfs: Option<f32>, floors: &[f32]) -> (InNoise, f32) {
        let mut follower = LoudEnough::default();
        let mut state = InNoise::default();
        let mut above = 0.0;
        for &floor in floors {
            for _ in 0..6 {
                follower.begins(Some(floor));
                let power = |dbfs: f32| 10.0_f32.powf(dbfs / 10.0);
                let own = voice_dbfs.map(|voice| voice + state.extra_db);
                let both = own.map(|own| 10.0 * (power(own) + power(floor)).log10());
                above = own.map_or(0.0, |own| own - floor);
                state = follower.ended(both.or(Some(floor)), Some(floor));
            }
        }
        (state, above)
    }

    #[rstest]
    #[case::quiet(&[-60.0], 0.0, false)]
    #[case::enough(&[-60.0, -50.0], 0.0, false)]
    #[case::four_missing(&[-60.0, -41.0], 4.0, false)]
    #[case::eight_missing(&[-60.0, -37.0], 6.0, false)]
    #[case::far_too_loud(&[-60.0, -34.0], 6.0, true)]
    #[case::quiet_again(&[-60.0, -34.0, -60.0], 0.0, false)]
    #[case::a_little_less_noise_is_no_reason_to_hurry(&[-60.0, -34.0, -37.0], 6.0, true)]
    fn the_voice_is_fifteen_decibels_above_the_noise_as_far_as_it_goes(
        #[case] floors: &[f32],
        #[case] extra: f32,
        #[case] slow: bool,
    ) {
        let (state, above) = room(Some(-30.0), floors);
        assert!((state.extra_db - extra).abs() < 0.2, "{state:?}");
        assert_eq!(state.slow, slow);
        if extra < MOST_EXTRA_DB {
            assert!(above > ABOVE_NOISE_DB - 0.2, "{above} dB above the noise");
        }
    }

    #[test]
    fn with_a_headset_the_voice_rises_with_the_noise_and_falls_with_it() {
        assert_eq!(room(None, &[-60.0]).0, InNoise::default());
        assert_eq!(room(None, &[-60.0, -56.0]).0, InNoise { extra_db: 4.0, slow: false });
        assert_eq!(room(None, &[-60.0, -40.0]).0, InNoise { extra_db: 6.0, slow: true });
        assert_eq!(room(None, &[-60.0, -40.0, -62.0]).0, InNoise::default());
        assert_eq!(
            room(None, &[-110.0, -56.0]).0,
            InNoise { extra_db: 4.0, slow: false },
            "a microphone that was muted"
        );
    }

    #[test]
    fn noise_that_rises_under_an_utterance_drowns_it() {
        let mut follower = LoudEnough::default();
        assert!(!follower.drowned(Some(-30.0)), "nothing was said yet");
        follower.begins(Some(-55.0));
        assert!(!follower.drowned(Some(-50.0)));
        assert!(follower.drowned(Some(-48.0)));
        follower.begins(Some(-110.0));
        assert!(!follower.drowned(Some(-70.0)), "a breath after digital silence");
    }

    #[test]
    fn noise_that_was_there_before_it_was_known_has_not_risen() {
        let mut follower = LoudEnough::default();
        follower.begins(None);
        assert!(!follower.drowned(Some(-30.0)), "the first words of a session beside a road");
        assert_eq!(follower.ended(None, None), InNoise::default());
        assert_eq!(
            follower.ended(None, Some(-30.0)),
            InNoise::default(),
            "with a headset this is what the place is like"
        );
        follower.begins(Some(-30.0));
        assert!(!follower.drowned(Some(-29.0)));
    }
}
