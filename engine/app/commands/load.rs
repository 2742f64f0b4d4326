//! `load`: how much of this machine a piece takes, at each block size.
//!
//! The two heaviest scenes are played several times by the engine alone, gesture for gesture the same: all controllers
//! leave rest in one block, move, rest, engage again while what was before still ends; the neighbouring scene is fired,
//! and the scene itself again. Of each block the least time of all runs counts, of the thread's own where the system
//! tells it: what the machine did besides falls out, what the block itself costs stays. It is the method of
//! `benches/worst.rs`, applied to the piece at hand.

mod clock;
mod figures;
mod memory;
mod players;
mod report;
mod runs;
mod score;

use std::time::{Duration, Instant};

use tenterhook_plan::{Plan, SceneId};

use crate::cli::Load;
use crate::failure::Failure;
use crate::live::room::Room;
use crate::live::stage;
use crate::loading;
use crate::progress::Progress;
use figures::Figures;
use players::Players;
use report::{LoadAnswer, MemoryRow, Row};
use runs::{LoadRun, least};
use score::{LoadScore, by_hand};

/// Frames a block, where nothing is asked for.
const BLOCKS: [usize; 4] = [32, 64, 128, 256];
/// Samples a second, where neither the hall nor anybody else says it.
const RATE: u32 = 48_000;
/// Frames a block while scenes are compared.
const PROBE: usize = 64;
/// How many scenes are measured.
const SCENES: usize = 2;
/// How often each is played where nothing is asked for: within [`TIME`], but so often at least and at most.
const RUNS: std::ops::RangeInclusive<usize> = 3..=8;
const TIME: Duration = Duration::from_secs(20);

/// Measures, and tells.
pub fn run(asked: &Load) -> Result<(), Failure> {
    let loaded = loading::piece(&asked.piece, asked.hall.as_deref())?;
    loaded.caution();
    let plan = &by_hand(&loaded.checked.plan);
    // What no device could play is refused as it would be there.
    let wish = stage::wish(plan, &loaded.checked.device, None)?;
    let rate = asked.rate.or(wish.rate).unwrap_or(RATE);
    Room::here(plan, rate).refuse()?;
    let players = Players::new(rate).map_err(Failure::asked)?;
    let (scenes, memory) = probe(plan, rate, &players);
    let blocks = asked.block.map_or(BLOCKS.to_vec(), |block| vec![block as usize]);
    let mut cases: Vec<_> =
        blocks.iter().flat_map(|&block| scenes.iter().map(move |&scene| Case::new(plan, rate, scene, block))).collect();

    let (least, most) = match asked.runs {
        Some(runs) => (runs as usize, runs as usize),
        None => (*RUNS.start(), *RUNS.end()),
    };
    let (began, mut done) = (Instant::now(), 0);
    let mut progress = Progress::new(cases.len() * most);
    while done < least || (done < most && began.elapsed() < TIME) {
        for case in &mut cases {
            case.play(plan, rate, &players);
            progress.add(1);
        }
        done += 1;
    }
    progress.clear();

    let mics = plan.mics.iter().filter(|mic| mic.input.is_some()).count();
    let row = |&block: &usize| {
        let of_block = cases.iter().filter(|case| case.block == block);
        Row::new(mics, rate, block, of_block.filter_map(|case| case.figures(rate)))
    };
    let rows = blocks.iter().filter_map(row).collect();
    LoadAnswer { plan, rate, mics, scenes, runs: done, rows, memory }.give(asked.json)
}

/// Plays every scene for a moment: the heaviest, in order of their mean, and the memory that the engine took.
fn probe(plan: &Plan, rate: u32, players: &Players) -> (Vec<SceneId>, MemoryRow) {
    let score = LoadScore::probe(plan, rate);
    let before = memory::resident();
    let mut run = LoadRun::new(plan, rate, SceneId(0), PROBE, players);
    let mut times = run.play(&score);
    let grown = memory::resident().zip(before).map(|(after, before)| after.saturating_sub(before));
    let memory = MemoryRow { engine: grown, kept: run.engine.kept() * size_of::<f32>() };
    drop(run);
    least(&mut times, LoadRun::new(plan, rate, SceneId(0), PROBE, players).play(&score));

    let mut costs = vec![Duration::ZERO; plan.scenes.len()];
    for (place, time) in times.into_iter().enumerate() {
        let probed = LoadScore::probed(rate, (place * PROBE) as u64);
        if let Some(cost) = probed.and_then(|scene| costs.get_mut(scene)) {
            *cost += time;
        }
    }
    let mut scenes: Vec<_> = (0..costs.len()).collect();
    scenes.sort_by_key(|&scene| std::cmp::Reverse(costs[scene]));
    scenes.truncate(SCENES);
    (scenes.into_iter().map(SceneId::new).collect(), memory)
}

/// One scene at one block size.
struct Case {
    scene: SceneId,
    block: usize,
    score: LoadScore,
    /// The least time of each block so far.
    times: Vec<Duration>,
}

impl Case {
    fn new(plan: &Plan, rate: u32, scene: SceneId, block: usize) -> Self {
        Self { scene, block, score: LoadScore::whole(plan, rate, scene), times: Vec::new() }
    }

    fn play(&mut self, plan: &Plan, rate: u32, players: &Players) {
        least(&mut self.times, LoadRun::new(plan, rate, self.scene, self.block, players).play(&self.score));
    }

    /// What its blocks come to, from the first controller's leaving rest on, and the scene in force at the worst.
    fn figures(&self, rate: u32) -> Option<(SceneId, Figures)> {
        let deadline = self.block as f64 / f64::from(rate);
        let range = |place: usize| (place * self.block) as u64..((place + 1) * self.block) as u64;
        let idle = (0..self.times.len()).take_while(|&place| range(place).end <= self.score.busy).count();
        let block = |(place, time): (usize, &Duration)| (time.as_secs_f64() / deadline, self.score.cause(range(place)));
        let figures = Figures::of(&self.times.iter().enumerate().skip(idle).map(block).collect::<Vec<_>>())?;
        Some((self.score.scene(range(idle + figures.place)), figures))
    }
}
