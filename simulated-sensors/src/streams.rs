//! Named streams of random numbers from one seed.
//!
//! Each bed, load, channel and fault draws from a stream of its own, so that a fault or a bed
//! added to a scenario shifts nobody else's luck.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// The stream of this name under this seed; the same pair always gives the same numbers.
pub fn stream(seed: u64, name: &str) -> ChaCha8Rng {
    // FNV-1a: stable across versions and machines, which the standard hasher is not.
    let hash = name.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    });
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(hash);
    rng
}

/// A draw from the normal distribution with mean zero.
pub fn normal(rng: &mut ChaCha8Rng, deviation: f64) -> f64 {
    let standard: f64 = StandardNormal.sample(rng);
    standard * deviation
}

/// A positive factor with median one and the given deviation of its logarithm.
pub fn factor(rng: &mut ChaCha8Rng, deviation: f64) -> f64 {
    normal(rng, deviation).exp()
}

/// A normal draw kept within three deviations, for quantities whose far tail makes no sense.
pub fn bounded_normal(rng: &mut ChaCha8Rng, mean: f64, deviation: f64) -> f64 {
    mean + normal(rng, deviation).clamp(-3.0 * deviation, 3.0 * deviation)
}

#[cfg(test)]
mod tests {
    use rand::RngExt;

    use super::*;

    #[test]
    fn the_same_name_and_seed_repeat_and_others_differ() {
        let draw = |seed, name: &str| stream(seed, name).random::<u64>();
        assert_eq!(draw(7, "bed/N1"), draw(7, "bed/N1"));
        assert_ne!(draw(7, "bed/N1"), draw(7, "bed/N2"));
        assert_ne!(draw(7, "bed/N1"), draw(8, "bed/N1"));
    }
}
