//! What each mic hears of the other players.

/// 20 lg of it is −26 dB.
const LEVEL: f64 = 0.05;
/// The way to the next player's mic at 343 m/s, in metres.
const METRES: f64 = 2.0;

/// Close mics, each with a little of the other players, a moment late.
pub struct Spill {
    late: Vec<[f64; 3]>,
    place: usize,
}

impl Spill {
    /// A room that is silent, at `rate` samples a second.
    pub fn new(rate: u32) -> Self {
        Self { late: vec![[0.0; 3]; crate::sample(METRES / 343.0, rate).max(1) as usize], place: 0 }
    }

    /// The three mics, from the three players.
    pub fn next(&mut self, players: [f64; 3]) -> [f64; 3] {
        let late = std::mem::replace(&mut self.late[self.place], players);
        self.place = (self.place + 1) % self.late.len();
        let [a, b, c] = players;
        [a + LEVEL * (late[1] + late[2]), b + LEVEL * (late[0] + late[2]), c + LEVEL * (late[0] + late[1])]
    }
}
