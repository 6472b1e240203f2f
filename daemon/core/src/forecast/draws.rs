//! Random numbers that are the same to the bit for the same pour, on every machine.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

use crate::forecast::MEMBER_COUNT;

/// Pairs of futures that fill a distribution evenly together, and how they are spread over it, so that the
/// first half of them fill it nearly so.
const STRATUM_COUNT: u64 = MEMBER_COUNT / 2;
const STRATUM_STRIDE: u64 = 17;

/// The draws of one sampled future.
///
/// Futures come in pairs that mirror each other, so that their median does not wander by chance.
pub(crate) struct Draws {
    generator: ChaCha8Rng,
    /// Which pair of futures this is of.
    pair: u64,
    is_mirrored: bool,
}

impl Draws {
    /// The draws of the numbered future of a pour.
    pub(crate) fn new(seed: u64, member: u64) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(member / 2);
        Self {
            generator,
            pair: member / 2,
            is_mirrored: member % 2 == 1,
        }
    }

    /// A standard normal number.
    pub(crate) fn normal(&mut self) -> f64 {
        let value: f64 = StandardNormal.sample(&mut self.generator);
        if self.is_mirrored { -value } else { value }
    }

    /// The same number for every pour, of a normal distribution that the futures fill evenly: for what
    /// matters most of all that is drawn, so that few futures have its quantiles well.
    pub(crate) fn even_normal(&self) -> f64 {
        let stratum = self.pair * STRATUM_STRIDE % STRATUM_COUNT;
        let level = (stratum as f64 + 0.5) / STRATUM_COUNT as f64;
        let value = quantile_normal(0.5 + 0.5 * level);
        if self.is_mirrored { -value } else { value }
    }

    /// A number in 0..1, neither end included, so that its logarithm is finite.
    pub(crate) fn uniform(&mut self) -> f64 {
        let value = self.generator.random::<f64>().max(f64::MIN_POSITIVE);
        if self.is_mirrored {
            (1.0 - value).max(f64::MIN_POSITIVE)
        } else {
            value
        }
    }
}

/// What a standard normal number stays below with a probability.
pub(crate) fn quantile_normal(level: f64) -> f64 {
    let level = level.clamp(1e-9, 1.0 - 1e-9);
    -std::f64::consts::SQRT_2 * statrs::function::erf::erfc_inv(2.0 * level)
}

/// A stable number from a pour's id: FNV-1a, 64 bits.
pub(crate) fn seed_of(pour: &str) -> u64 {
    pour.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::quantile_of_sorted;

    #[test]
    fn even_normals_have_the_quantiles_of_a_normal_distribution() {
        let members = 0..MEMBER_COUNT;
        let mut values: Vec<f64> = members
            .map(|member| Draws::new(1, member).even_normal())
            .collect();
        values.sort_by(f64::total_cmp);
        // Source: any table of the normal distribution. Mark: from memory.
        for (share, value) in [(0.1, -1.2816), (0.25, -0.6745), (0.5, 0.0), (0.9, 1.2816)] {
            let found = quantile_of_sorted(&values, share);
            assert!((found - value).abs() < 0.04, "{share}: {found}");
        }
        let square_sum: f64 = values.iter().map(|value| value * value).sum();
        let mean_square = square_sum / MEMBER_COUNT as f64;
        assert!((mean_square - 1.0).abs() < 0.03, "{mean_square}");
    }
}
