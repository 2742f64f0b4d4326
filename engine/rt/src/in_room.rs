//! What has sounded stays in the room a while, and then goes.

/// What a neighbour has sounded is in the room for so many seconds, and then goes by so many dB in a second: a room of
/// 1.5 s. So a delay of 20 ms counts for little.
const STAYS: f64 = 0.1;
const DECAY: f64 = -40.0;

/// A power that stays a while and then goes as in a room.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct InRoom {
    power: f32,
    /// The greatest of the present and the last half of the time for which it stays, and steps done of the present one.
    halves: [f32; 2],
    done: u32,
}

/// How that goes in steps of so many samples.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct RoomPace {
    half: u32,
    left: f32,
}

impl RoomPace {
    pub fn new(step: u64, rate: u32) -> Self {
        let steps = f64::from(rate) / step as f64;
        Self { half: ((0.5 * STAYS * steps).round() as u32).max(1), left: 10f64.powf(0.1 * DECAY / steps) as f32 }
    }
}

impl InRoom {
    /// What is there after a step in which so much came.
    pub fn step(&mut self, power: f32, pace: RoomPace) -> f32 {
        let [now, last] = self.halves;
        let now = now.max(power);
        self.done += 1;
        self.halves = if self.done >= pace.half { [0.0, now] } else { [now, last] };
        self.done %= pace.half;
        let stays = now.max(last);
        self.power = stays.max(self.power * pace.left);
        if self.power < 1e-20 {
            self.power = 0.0;
        }
        self.power
    }
}
