//! What is judged.

#[cfg(feature = "peers")]
pub mod commands;
pub mod holds;
pub mod ours;
#[cfg(feature = "peers")]
pub mod signalsmith;

use ours::Ours;

/// Something that stretches a whole sound: so many times as long, beginning at the same moment.
pub struct Stretcher {
    /// Its name in tables.
    pub name: String,
    /// The sound so many times as long, or why there is none.
    #[expect(clippy::type_complexity, reason = "said once, here")]
    pub run: Box<dyn Fn(&[f64], f64) -> Result<Vec<f64>, String> + Send + Sync>,
}

/// Ours, then the peers that this was built with.
pub fn stretchers() -> Vec<Stretcher> {
    let ours = |source: &[f64], ratio: f64| Ok(Ours::stretch(ratio, 0.0)?.stretched(source, ratio));
    #[cfg_attr(not(feature = "peers"), expect(unused_mut, reason = "nobody beside ours"))]
    let mut all = vec![Stretcher { name: "ours".to_owned(), run: Box::new(ours) }];
    #[cfg(feature = "peers")]
    {
        all.extend(signalsmith::stretchers());
        all.extend(commands::stretchers());
    }
    all
}
