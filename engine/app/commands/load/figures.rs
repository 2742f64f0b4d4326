//! The arithmetic: what the times of a run's blocks come to. Shares: 1 is all of the time that a block lasts.

/// Why a block costs what it does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WorstCause {
    /// The very block in which controllers leave rest, or a hush is released. The work that an effect spreads over the
    /// time after its beginning counts as steps or as steady: from outside it cannot be told from them.
    Engaging,
    /// A block of the first 20 ms of a scene, its firing included.
    Firing,
    /// Any other block that takes more than 1.5 times the median of all others: the steps of an effect's work that come
    /// round from time to time.
    Step,
    /// The rest.
    Steady,
}

impl WorstCause {
    /// All of them, in the order of [`Figures::causes`].
    pub const ALL: [WorstCause; 4] = [WorstCause::Engaging, WorstCause::Firing, WorstCause::Step, WorstCause::Steady];

    /// Its name in the answer.
    pub fn name(self) -> &'static str {
        match self {
            WorstCause::Engaging => "engaging",
            WorstCause::Firing => "firing",
            WorstCause::Step => "step",
            WorstCause::Steady => "steady",
        }
    }
}

/// What one scene takes at one block size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figures {
    pub mean: f64,
    /// The share that 99.9 % of the blocks do not pass.
    pub percentile: f64,
    pub worst: f64,
    /// What the worst block is due to.
    pub cause: WorstCause,
    /// Its place among all blocks.
    pub place: usize,
    /// The worst block of each cause; `None`: there is no such block.
    pub causes: [Option<f64>; 4],
}

impl Figures {
    /// The figures of some blocks: the share of each, and its cause if that is known. `None` if there are no blocks.
    pub fn of(blocks: &[(f64, Option<WorstCause>)]) -> Option<Self> {
        let shares = sorted(blocks.iter().map(|(share, _)| *share));
        let others = sorted(blocks.iter().filter(|(_, cause)| cause.is_none()).map(|(share, _)| *share));
        let step = 1.5 * percentile(&others, 0.5).unwrap_or(f64::INFINITY);
        let cause = |(share, known): &(f64, Option<WorstCause>)| match known {
            Some(cause) => *cause,
            None if *share > step => WorstCause::Step,
            None => WorstCause::Steady,
        };
        let most =
            |of: WorstCause| blocks.iter().filter(|block| cause(block) == of).map(|block| block.0).reduce(f64::max);
        let (place, worst) = blocks.iter().enumerate().max_by(|(_, one), (_, other)| one.0.total_cmp(&other.0))?;
        Some(Self {
            mean: shares.iter().sum::<f64>() / shares.len() as f64,
            percentile: percentile(&shares, 0.999)?,
            worst: worst.0,
            cause: cause(worst),
            place,
            causes: WorstCause::ALL.map(most),
        })
    }
}

fn sorted(shares: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut shares: Vec<_> = shares.collect();
    shares.sort_by(f64::total_cmp);
    shares
}

/// The least of these values, which are in order, that `part` (0…1) of them do not pass: the nearest rank.
fn percentile(sorted: &[f64], part: f64) -> Option<f64> {
    let rank = (part * sorted.len() as f64).ceil() as usize;
    sorted.get(rank.max(1) - 1).copied()
}

/// The most that the mean may be, so that the page, the log and the system have time too. Common practice, no source.
pub const MEAN: f64 = 0.5;
/// The most that the worst block may be: what the system does besides comes on top of it. Common practice, no source.
pub const WORST: f64 = 0.7;

/// How many more mics fit beside these: each costs as much as these do on average.
pub fn room(mics: usize, mean: f64, worst: f64) -> usize {
    let times = (MEAN / mean).min(WORST / worst);
    ((mics as f64 * times) as usize).saturating_sub(mics)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn block() -> impl Strategy<Value = (f64, Option<WorstCause>)> {
        let known = prop_oneof![Just(None), Just(Some(WorstCause::Engaging)), Just(Some(WorstCause::Firing))];
        (0.001f64..2.0, known)
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..Default::default() })]

        #[test]
        fn of_one_thousand_blocks_one_may_pass_the_percentile(blocks in prop::collection::vec(block(), 1..3000)) {
            let figures = Figures::of(&blocks).unwrap();
            let above = blocks.iter().filter(|(share, _)| *share > figures.percentile).count();
            prop_assert!(above <= blocks.len() / 1000);
            // It is the least share of which this is true.
            let not_below = blocks.iter().filter(|(share, _)| *share >= figures.percentile).count();
            prop_assert!(not_below > blocks.len() / 1000);
        }

        #[test]
        fn every_block_has_one_cause_and_the_worst_is_the_worst_of_its_own(
            blocks in prop::collection::vec(block(), 1..200),
        ) {
            let figures = Figures::of(&blocks).unwrap();
            let of = |cause: WorstCause| figures.causes[WorstCause::ALL.iter().position(|one| *one == cause).unwrap()];
            prop_assert_eq!(of(figures.cause), Some(figures.worst));
            prop_assert_eq!(blocks[figures.place].0, figures.worst);
            prop_assert!(figures.causes.iter().flatten().all(|share| *share <= figures.worst));
            for known in [WorstCause::Engaging, WorstCause::Firing] {
                prop_assert_eq!(of(known).is_some(), blocks.iter().any(|(_, cause)| *cause == Some(known)));
            }
            if let (Some(step), Some(steady)) = (of(WorstCause::Step), of(WorstCause::Steady)) {
                prop_assert!(step > steady);
            }
        }

        #[test]
        fn so_many_mics_fit_and_not_one_more(mics in 1usize..64, mean in 0.001f64..1.5, above in 1.0f64..20.0) {
            let worst = mean * above;
            let each = |share: f64| share / mics as f64;
            let fits = |mics: f64, by: f64| each(mean) * mics <= MEAN * by && each(worst) * mics <= WORST * by;
            let all = (mics + room(mics, mean, worst)) as f64;
            prop_assert!(!fits(all + 1.0, 1.0 - 1e-9));
            // If these are too many already there is no room.
            prop_assert!(fits(all, 1.0 + 1e-9) || all == mics as f64);
        }
    }
}
