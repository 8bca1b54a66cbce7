/// Small and repeatable (xorshift64, Marsaglia 2003).
pub struct Dice(pub u64);

impl Dice {
    pub fn below(&mut self, n: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % n
    }

    pub fn coin(&mut self) -> bool {
        self.below(2) == 0
    }
}
