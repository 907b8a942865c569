//! The logarithm of a sum of many powers: what turns the model's scores of all tokens into log probabilities.
//!
//! It is taken of 32,768 numbers for every row of every step, so it is made for vector instructions, for wider ones where the machine has them;
//! the sum is the same to the last bit whichever they are.

use multiversion::multiversion;

/// `ln(sum(exp(values)))`, to about six digits.
#[multiversion(targets("x86_64+avx512f", "x86_64+avx2"))]
pub(crate) fn log_sum_exp(values: &[f32]) -> f32 {
    let highest = highest(values);
    let mut lanes = [0.0_f32; LANES];
    for chunk in values.chunks_exact(LANES) {
        for (lane, &value) in lanes.iter_mut().zip(chunk) {
            *lane += fast_exp(value - highest);
        }
    }
    let rest: f32 = values.chunks_exact(LANES).remainder().iter().map(|&value| fast_exp(value - highest)).sum();
    highest + (lanes.iter().sum::<f32>() + rest).ln()
}

/// The highest of `values`; minus infinity of none.
#[inline(always)]
pub(crate) fn highest(values: &[f32]) -> f32 {
    let mut lanes = [f32::NEG_INFINITY; LANES];
    for chunk in values.chunks_exact(LANES) {
        for (lane, &value) in lanes.iter_mut().zip(chunk) {
            *lane = if value > *lane { value } else { *lane };
        }
    }
    let rest = values.chunks_exact(LANES).remainder();
    lanes.iter().chain(rest).copied().fold(f32::NEG_INFINITY, f32::max)
}

/// `exp(x)` for x of 0 and below, relative error under 3e-7; without branches, so that it can be vectorised.
#[inline(always)]
fn fast_exp(x: f32) -> f32 {
    // 2^(whole + part) with part in -0.5..0.5; the polynomial is the Taylor series of exp over part * ln 2.
    let scaled = x.max(-87.0) * std::f32::consts::LOG2_E;
    let shifted = scaled + ONES;
    let t = (scaled - (shifted - ONES)) * std::f32::consts::LN_2;
    let series =
        1.0 + t * (1.0 + t * (0.5 + t * (1.0 / 6.0 + t * (1.0 / 24.0 + t * (1.0 / 120.0 + t * (1.0 / 720.0))))));
    // The whole number stands in the lowest bits of `shifted`; moved up into the exponent, it pushes everything else out.
    series * f32::from_bits(shifted.to_bits().wrapping_add(127) << 23)
}

/// Sums and maxima that run side by side, so that the compiler can use vector instructions.
const LANES: usize = 16;
/// 1.5 * 2^23: what is added to it is rounded to a whole number.
const ONES: f32 = 12_582_912.0;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_fast_sum_agrees_with_the_exact_one() {
        for count in [1, 15, 16, 1_000, 32_768] {
            let values: Vec<f32> = (0..count).map(|i| ((i * 7919) % 1000) as f32 * 0.03 - 25.0).collect();
            let exact = values.iter().map(|&v| f64::from(v).exp()).sum::<f64>().ln();
            assert!((f64::from(log_sum_exp(&values)) - exact).abs() < 1e-4, "{} vs {exact}", log_sum_exp(&values));
        }
    }

    #[test]
    fn the_fast_exponential_is_right_over_its_whole_range() {
        for hundredth in 0..8_600 {
            let x = -(hundredth as f32) / 100.0;
            let exact = f64::from(x).exp();
            let error = (f64::from(fast_exp(x)) - exact).abs() / exact;
            assert!(error < 1e-5, "exp({x}) is off by {error}");
        }
    }

    #[test]
    fn what_is_far_below_the_highest_adds_nothing() {
        assert_eq!(log_sum_exp(&[3.0, f32::NEG_INFINITY, -1e30]), 3.0);
    }
}
