//! Random numbers that are the same to the bit for the same pour, on every machine.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// The draws of one sampled future.
///
/// Futures come in pairs that mirror each other, so that their median does not wander by chance.
pub(crate) struct Draws {
    generator: ChaCha8Rng,
    is_mirrored: bool,
}

impl Draws {
    /// The draws of the numbered future of a pour.
    pub(crate) fn new(seed: u64, member: u64) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        generator.set_stream(member / 2);
        Self {
            generator,
            is_mirrored: member % 2 == 1,
        }
    }

    /// A standard normal number.
    pub(crate) fn normal(&mut self) -> f64 {
        let value: f64 = StandardNormal.sample(&mut self.generator);
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

/// A stable number from a pour's id: FNV-1a, 64 bits.
pub(crate) fn seed_of(pour: &str) -> u64 {
    pour.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}
