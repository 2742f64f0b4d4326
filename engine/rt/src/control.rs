//! The control half: sends events and changed pieces to the audio thread, and takes back what happened and what is done
//! with. Everything here runs on any thread but that one.

use std::cell::Cell;
use std::collections::VecDeque;
use std::marker::PhantomData;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use ringbuf::traits::{Consumer, Observer, Producer, Split};
use ringbuf::{HeapCons, HeapProd, HeapRb};
use tenterhook_plan::{Applied, Event, Plan, SceneId};

use crate::carry::Carry;
use crate::engine::{Engine, Record};
use crate::reading::Reading;
use crate::table::{Need, Table, needs};

/// Events on their way to the audio thread.
const EVENTS: usize = 4096;
/// Changed pieces on their way.
const TABLES: usize = 4;
/// Gestures that were applied: minutes of a busy pedal.
const RECORDS: usize = 65_536;
/// Readings: more than a second's for a hundred channels.
const READINGS: usize = 8192;

/// The control half of an engine.
pub struct Control {
    rate: u32,
    events: HeapProd<Event>,
    tables: HeapProd<Box<Table>>,
    records: HeapCons<Record>,
    readings: HeapCons<Reading>,
    lost: Arc<AtomicU64>,
    /// Where tables come home to, each once.
    homes: Vec<HeapCons<Box<Table>>>,
    /// The plan that ids in [`Control::applied`] mean, and those that were handed over after it.
    plans: VecDeque<Plan>,
    /// What the sources of the newest plan remember.
    needs: Vec<Need>,
    ports: Vec<String>,
}

/// The ring towards the engine is full: nothing was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Full;

impl std::fmt::Display for Full {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("the engine has not taken anything for a while: is its audio device running?")
    }
}

impl std::error::Error for Full {}

/// Makes both halves of an engine that plays a piece at `rate` samples a second, with the scene `first` in force from
/// its first sample. Allocates all that the piece will ever need.
pub fn engine(plan: &Plan, rate: u32, first: SceneId) -> (Engine, Control) {
    let (events, events_out) = HeapRb::new(EVENTS).split();
    let (tables, tables_out) = HeapRb::new(TABLES).split();
    let (records_in, records) = HeapRb::new(RECORDS).split();
    let (readings_in, readings) = HeapRb::new(READINGS).split();
    let lost = Arc::new(AtomicU64::new(0));
    let ports: Vec<String> = plan.ports().into_iter().map(str::to_owned).collect();
    let needs = needs(plan, rate);
    let (home, back) = HeapRb::new(1).split();
    let table = Table::new(plan, rate, &ports, &needs, Carry::default(), home);
    let engine = Engine {
        sample: 0,
        scene: SceneId::new(first.index().min(plan.scenes.len().saturating_sub(1))),
        hushed: false,
        fresh: true,
        table: Box::new(table),
        coming: None,
        events: events_out,
        tables: tables_out,
        records: records_in,
        readings: readings_in,
        lost: Arc::clone(&lost),
        not_sync: PhantomData::<Cell<()>>,
    };
    let control = Control {
        rate,
        events,
        tables,
        records,
        readings,
        lost,
        homes: vec![back],
        plans: VecDeque::from([plan.clone()]),
        needs,
        ports,
    };
    (engine, control)
}

impl Control {
    /// Sends an event, which acts at the first sample of the next block.
    ///
    /// # Errors
    /// [`Full`] when the engine has not taken events for a while.
    pub fn send(&mut self, event: Event) -> Result<(), Full> {
        self.events.try_push(event).map_err(|_| Full)
    }

    /// Puts a changed piece in the place of the present one: effects that are the same carry on, the rest fades.
    ///
    /// # Errors
    /// [`Full`] when the engine has not taken pieces for a while.
    pub fn replace(&mut self, plan: &Plan) -> Result<(), Full> {
        self.collect();
        if self.tables.is_full() {
            return Err(Full);
        }
        for port in plan.ports() {
            if !self.ports.iter().any(|known| known == port) {
                self.ports.push(port.to_owned());
            }
        }
        let mut needs = needs(plan, self.rate);
        // There is always one: the plan of the newest table.
        let carry = self.plans.back().map_or_else(Carry::default, |old| Carry::new(old, &self.needs, plan, &mut needs));
        let (home, back) = HeapRb::new(1).split();
        let table = Table::new(plan, self.rate, &self.ports, &needs, carry, home);
        self.tables.try_push(Box::new(table)).map_err(|_| Full)?;
        self.homes.push(back);
        self.plans.push_back(plan.clone());
        self.needs = needs;
        Ok(())
    }

    /// Frees the tables that came home.
    pub fn collect(&mut self) {
        self.homes.retain_mut(|home| home.try_pop().is_none());
    }

    /// The next gesture that was applied, in order. Its ids are those of [`Control::plan`].
    pub fn applied(&mut self) -> Option<Applied> {
        loop {
            match self.records.try_pop()? {
                Record::Applied(applied) => return Some(applied),
                Record::Installed => {
                    self.plans.pop_front();
                    self.collect();
                }
            }
        }
    }

    /// The plan that was in force when the last gesture taken by [`Control::applied`] was applied.
    pub fn plan(&self) -> &Plan {
        &self.plans[0]
    }

    /// How many applied gestures were lost because nobody took them in time.
    pub fn lost(&self) -> u64 {
        self.lost.load(Ordering::Relaxed)
    }

    /// The next reading.
    pub fn reading(&mut self) -> Option<Reading> {
        self.readings.try_pop()
    }

    /// The parts of port names that the piece's controllers ask for: bit n of [`tenterhook_plan::Midi::ports`] is set
    /// for a message from a port whose name holds the n-th.
    pub fn ports(&self) -> &[String] {
        &self.ports
    }
}
