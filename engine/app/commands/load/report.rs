//! What is told: a table, memory, advice; or all of it as JSON.

use serde_json::{Value, json};
use tenterhook_io::MOST_CHANNELS;
use tenterhook_plan::{Plan, SceneId};

use super::figures::{Figures, MEAN, WORST, WorstCause, room};
use crate::failure::Failure;
use crate::say::{answer, count, print, wrapped};

/// One block size: of all scenes measured the greatest of each figure.
pub struct Row {
    block: usize,
    /// The time that a block lasts, in seconds.
    lasts: f64,
    mean: f64,
    percentile: f64,
    worst: f64,
    /// The scene and the cause of the worst block.
    scene: SceneId,
    cause: WorstCause,
    causes: [Option<f64>; 4],
    /// How many more mics fit; `None`: there is no mic to go by.
    room: Option<usize>,
}

impl Row {
    /// The row of a block size; `None` if nothing was measured.
    pub fn new(
        mics: usize,
        rate: u32,
        block: usize,
        measured: impl Iterator<Item = (SceneId, Figures)>,
    ) -> Option<Self> {
        let measured: Vec<_> = measured.collect();
        let most = |of: fn(&Figures) -> f64| measured.iter().map(|(_, figures)| of(figures)).fold(0.0, f64::max);
        let (scene, worst) = measured.iter().max_by(|(_, one), (_, other)| one.worst.total_cmp(&other.worst))?;
        let of = |n: usize| measured.iter().filter_map(|(_, figures)| figures.causes[n]).reduce(f64::max);
        let mean = most(|figures| figures.mean);
        let fit = room(mics, mean, worst.worst).min(MOST_CHANNELS.saturating_sub(mics));
        Some(Self {
            block,
            lasts: block as f64 / f64::from(rate),
            mean,
            percentile: most(|figures| figures.percentile),
            worst: worst.worst,
            scene: *scene,
            cause: worst.cause,
            causes: std::array::from_fn(of),
            room: (mics > 0).then_some(fit),
        })
    }

    fn fits(&self) -> bool {
        self.mean <= MEAN && self.worst <= WORST
    }
}

/// The memory that the engine takes, in bytes.
pub struct MemoryRow {
    /// By how much the process grew while the engine was built and played; `None`: the system does not say.
    pub engine: Option<u64>,
    /// What of it the remembered sound of the sources takes, exactly.
    pub kept: usize,
}

/// All that was found out.
pub struct LoadAnswer<'a> {
    pub plan: &'a Plan,
    pub rate: u32,
    /// The mics that have an input.
    pub mics: usize,
    /// The scenes measured, the heaviest first.
    pub scenes: Vec<SceneId>,
    pub runs: usize,
    /// By block size.
    pub rows: Vec<Row>,
    pub memory: MemoryRow,
}

impl LoadAnswer<'_> {
    /// Gives it.
    pub fn give(&self, as_json: bool) -> Result<(), Failure> {
        if as_json { answer(self.json()) } else { print(&self.text()) }
    }

    fn mark(&self, scene: SceneId) -> &str {
        self.plan.scenes.get(scene.index()).map_or("", |scene| &scene.mark)
    }

    fn a_mic(&self) -> Option<u64> {
        self.memory.engine?.checked_div(self.mics as u64)
    }

    fn json(&self) -> Value {
        let row = |row: &Row| {
            let causes =
                WorstCause::ALL.iter().zip(row.causes).map(|(cause, most)| (cause.name().to_owned(), json!(most)));
            json!({
                "block": row.block, "seconds": row.lasts, "mean": row.mean, "percentile_99_9": row.percentile,
                "worst": row.worst, "worst_scene": self.mark(row.scene), "worst_cause": row.cause.name(),
                "causes": Value::Object(causes.collect()), "more_mics": row.room,
            })
        };
        json!({
            "title": self.plan.title, "rate": self.rate, "mics": self.mics, "runs": self.runs,
            "scenes": self.scenes.iter().map(|&scene| self.mark(scene)).collect::<Vec<_>>(),
            "blocks": self.rows.iter().map(row).collect::<Vec<_>>(),
            "memory": {
                "engine_bytes": self.memory.engine, "bytes_a_mic": self.a_mic(), "kept_bytes": self.memory.kept,
            },
            "advice": self.advice(),
        })
    }

    fn text(&self) -> String {
        let marks = self.scenes.iter().map(|&scene| self.mark(scene)).collect::<Vec<_>>().join(" and ");
        let heaviest = match self.plan.scenes.len() {
            1 => "its one scene".to_owned(),
            all => format!("the heaviest of {all} scenes, {marks}"),
        };
        let mut text = wrapped(
            0,
            &format!(
                "{}: {} at {} Hz, {heaviest}, the least of {}.",
                tenterhook_plan::shown(&self.plan.title),
                count(self.mics as u64, "mic"),
                self.rate,
                count(self.runs as u64, "run"),
            ),
        );
        text += "\n              % of a block's time        worst block by its cause\n";
        text += "block     ms   mean  99.9 %  worst  engaging  firing    step  steady  more mics\n";
        let percent = |share: Option<f64>| share.map_or("-".to_owned(), |share| format!("{:.1}", 100.0 * share));
        for row in &self.rows {
            let [engaging, firing, step, steady] = row.causes.map(percent);
            text += &format!(
                "{:>5} {:>6.2} {:>6} {:>7} {:>6}  {engaging:>8} {firing:>7} {step:>7} {steady:>7} {:>10}\n",
                row.block,
                1000.0 * row.lasts,
                percent(Some(row.mean)),
                percent(Some(row.percentile)),
                percent(Some(row.worst)),
                row.room.map_or("-".to_owned(), |more| more.to_string()),
            );
        }
        text += "\n";
        text += &wrapped(0, &self.memory_in_words());
        text += &wrapped(0, &self.advice().join(" "));
        text += &wrapped(
            0,
            &format!(
                "The engine alone on this core: page, log and other programs come on top. More mics: an estimate, as if each \
             cost as much as these, that keeps the mean under {:.0} % and the worst block under {:.0} %.",
                100.0 * MEAN,
                100.0 * WORST,
            ),
        );
        text
    }

    fn memory_in_words(&self) -> String {
        let megabytes = |bytes: u64| format!("{:.1} MB", bytes as f64 / 1e6);
        let kept = megabytes(self.memory.kept as u64);
        let engine = match (self.memory.engine, self.a_mic()) {
            (Some(engine), Some(each)) => format!("{}, {} a mic", megabytes(engine), megabytes(each)),
            (Some(engine), None) => megabytes(engine),
            (None, _) => "unknown on this system".to_owned(),
        };
        format!("Memory: {engine}; {kept} of it hold the sound that effects read.")
    }

    /// What to do about it, in at most two sentences.
    fn advice(&self) -> Vec<String> {
        let frames = |row: &Row| format!("{} frames ({:.1} ms)", row.block, 1000.0 * row.lasts);
        let worst = |row: &Row| format!("{:.0} % of its time", 100.0 * row.worst);
        let lightest = self.rows.iter().min_by(|one, other| one.worst.total_cmp(&other.worst));
        let place = self.rows.iter().position(Row::fits);
        match (place.and_then(|place| self.rows.get(place)), lightest) {
            (None, None) => Vec::new(),
            (None, Some(row)) if row.worst > 1.0 => vec![
                format!("It does not fit: even with a block of {} the worst takes {}.", frames(row), worst(row)),
                self.remedy(row),
            ],
            (None, Some(row)) => vec![
                format!(
                    "It is tight: with a block of {} the worst takes {}, {:.0} % on average.",
                    frames(row),
                    worst(row),
                    100.0 * row.mean
                ),
                self.remedy(row),
            ],
            (Some(row), _) => match place.and_then(|place| self.rows.get(place.checked_sub(1)?)) {
                Some(below) => vec![
                    format!(
                        "Set the block to {} or more: with {} the worst takes {}.",
                        frames(row),
                        below.block,
                        worst(below)
                    ),
                    self.remedy(below),
                ],
                None => vec![
                    match row.worst {
                        plenty if plenty <= WORST / 2.0 => format!(
                            "There is plenty of room: even with a block of {} the worst takes {}.",
                            frames(row),
                            worst(row)
                        ),
                        _ => format!("It fits with a block of {}: the worst takes {}.", frames(row), worst(row)),
                    },
                    format!("That is {}.", self.when(row)),
                ],
            },
        }
    }

    /// When the worst block comes, in words.
    fn when(&self, row: &Row) -> String {
        let mark = self.mark(row.scene);
        match row.cause {
            WorstCause::Engaging => format!("when all controllers of scene {mark} leave rest at once"),
            WorstCause::Firing => format!("when scene {mark} is fired while everything sounds"),
            WorstCause::Step => format!("when the effects of scene {mark} do a larger piece of work"),
            WorstCause::Steady => format!("while everything in scene {mark} sounds"),
        }
    }

    /// What would make the worst block lighter.
    fn remedy(&self, row: &Row) -> String {
        let lighter = match row.cause {
            WorstCause::Engaging => "press them one after the other, or use fewer at once",
            WorstCause::Firing => "let the controllers rest before it is fired",
            WorstCause::Step | WorstCause::Steady => "take an effect away, or share them out over two scenes",
        };
        format!("The worst comes {}: {lighter}.", self.when(row))
    }
}
