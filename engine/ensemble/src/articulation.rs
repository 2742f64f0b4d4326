//! What the mouth does: the vowels and consonants of the invented words.

/// A resonance of the vocal tract: frequency and bandwidth, both in Hz.
pub type VowelFormant = (f64, f64);

/// How many of them are sounded.
pub const FORMANTS: usize = 7;

/// A sung vowel.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Vowel {
    /// As in hod.
    A,
    /// As in head.
    E,
    /// As in heed.
    I,
    /// As in hawed.
    O,
    /// As in who'd.
    U,
}

impl Vowel {
    /// The first three formants in Hz: means of 28 women (Peterson and Barney 1952, JASA 24, 175, Table II).
    pub const fn formants_hz(self) -> [f64; 3] {
        match self {
            Vowel::A => [850.0, 1220.0, 2810.0],
            Vowel::E => [610.0, 2330.0, 2990.0],
            Vowel::I => [310.0, 2790.0, 3310.0],
            Vowel::O => [590.0, 920.0, 2710.0],
            Vowel::U => [370.0, 950.0, 2670.0],
        }
    }

    /// The fourth formant in Hz: mean of 48 women (Hillenbrand, Getty, Clark and Wheeler 1995, JASA 97, 3099).
    const fn fourth_hz(self) -> f64 {
        match self {
            Vowel::A => 4291.0,
            Vowel::E => 4312.0,
            Vowel::I => 4353.0,
            Vowel::O => 3946.0,
            Vowel::U => 4116.0,
        }
    }

    /// All formants, when sung at `hz`: a high voice raises the first so that it never lies below the note (Joliveau,
    /// Smith and Wolfe 2004, JASA 116, 2434). Bandwidths and the formants above: common practice, no source.
    pub fn sung_at(self, hz: f64) -> [VowelFormant; FORMANTS] {
        let [f1, f2, f3] = self.formants_hz();
        [(f1.max(hz), 85.0), (f2, 100.0), (f3, 150.0), (self.fourth_hz(), 230.0), HIGH[0], HIGH[1], HIGH[2]]
    }
}

/// The formants above the fourth, which hardly move.
const HIGH: [VowelFormant; 3] = [(5200.0, 320.0), (6300.0, 420.0), (7500.0, 550.0)];

/// What comes before the vowel of a syllable.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Consonant {
    /// Noise of air at the teeth.
    S,
    /// The tongue closes, bursts open, and breath follows.
    T,
    /// A murmur through the nose.
    M,
    /// The tongue touches while the voice goes on.
    L,
}

/// One posture on the way into a vowel.
pub struct Posture {
    /// Seconds from the vowel's onset; negative, before it.
    pub at: f64,
    /// The tract's resonances; `None`: the coming vowel's.
    pub formants: Option<[VowelFormant; FORMANTS]>,
    /// The voice, re the vowel's.
    pub voice: f64,
    /// Breath through the tract, re the vowel's voice.
    pub breath: f64,
    /// The noise of /s/, re the vowel's voice.
    pub hiss: f64,
    /// The noise of the burst of /t/, re the vowel's voice.
    pub burst: f64,
}

// Where tongue and lips pull the resonances, from memory of Klatt 1980 (JASA 67, 971), stretched by a tenth for a
// woman's tract; not tested against it.
const TEETH: [VowelFormant; FORMANTS] =
    [(330.0, 150.0), (1850.0, 150.0), (3000.0, 220.0), (4300.0, 280.0), HIGH[0], HIGH[1], HIGH[2]];
const NOSE: [VowelFormant; FORMANTS] =
    [(280.0, 90.0), (1150.0, 300.0), (2350.0, 350.0), (3900.0, 450.0), HIGH[0], HIGH[1], HIGH[2]];
const SIDES: [VowelFormant; FORMANTS] =
    [(360.0, 90.0), (1150.0, 160.0), (3050.0, 220.0), (4200.0, 300.0), HIGH[0], HIGH[1], HIGH[2]];

const fn posture(
    at: f64,
    formants: Option<[VowelFormant; FORMANTS]>,
    [voice, breath, hiss, burst]: [f64; 4],
) -> Posture {
    Posture { at, formants, voice, breath, hiss, burst }
}

static S: [Posture; 4] = [
    posture(-0.155, Some(TEETH), [0.0, 0.05, 0.0, 0.0]),
    posture(-0.100, Some(TEETH), [0.0, 0.02, 0.26, 0.0]),
    posture(-0.035, Some(TEETH), [0.0, 0.02, 0.24, 0.0]),
    posture(0.0, None, [0.08, 0.06, 0.0, 0.0]),
];
static T: [Posture; 6] = [
    posture(-0.130, Some(TEETH), [0.0, 0.0, 0.0, 0.0]),
    posture(-0.050, Some(TEETH), [0.0, 0.0, 0.0, 0.0]),
    posture(-0.046, Some(TEETH), [0.0, 0.02, 0.02, 0.45]),
    posture(-0.034, Some(TEETH), [0.0, 0.12, 0.04, 0.05]),
    posture(-0.010, None, [0.0, 0.09, 0.0, 0.0]),
    posture(0.0, None, [0.05, 0.06, 0.0, 0.0]),
];
static M: [Posture; 2] =
    [posture(-0.120, Some(NOSE), [0.36, 0.0, 0.0, 0.0]), posture(-0.020, Some(NOSE), [0.40, 0.0, 0.0, 0.0])];
static L: [Posture; 2] =
    [posture(-0.095, Some(SIDES), [0.50, 0.01, 0.0, 0.0]), posture(-0.030, Some(SIDES), [0.52, 0.01, 0.0, 0.0])];

impl Consonant {
    /// The postures on the way into the vowel, in time order.
    pub fn postures(self) -> &'static [Posture] {
        match self {
            Consonant::S => &S,
            Consonant::T => &T,
            Consonant::M => &M,
            Consonant::L => &L,
        }
    }
}
