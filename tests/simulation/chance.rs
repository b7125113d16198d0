//! Random numbers from a seed: SplitMix64 (Steele, Lea and Flood 2014; constants from memory).

pub struct Chance(u64);

impl Chance {
    pub fn new(seed: u64) -> Self {
        Chance(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x5EED)
    }

    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// From `least` up to, but without, `end`.
    pub fn between(&mut self, least: i64, end: i64) -> i64 {
        let width = u64::try_from(end - least).expect("least before end").max(1);
        least + i64::try_from(self.next() % width).expect("it is smaller than the width")
    }

    pub fn percent(&mut self, percent: u64) -> bool {
        self.next() % 100 < percent
    }
}
