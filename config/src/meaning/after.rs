//! The order of effects that follow one another.

use crate::kind::Kind;
use crate::near;
use crate::report::Findings;
use crate::written::WrittenEffect;

/// For the effects of one mic or group in one scene: what each follows, as a place among them, and an order in which
/// each comes after what it follows. Effects that cannot be placed are reported and left out of the order.
pub(super) fn order(
    owner: &str,
    effects: &[WrittenEffect],
    findings: &mut Findings,
) -> (Vec<Option<usize>>, Vec<usize>) {
    let mut follows = Vec::new();
    let mut states = Vec::new();
    for effect in effects {
        let place = effect.after.at().and_then(|after| {
            let found = effects.iter().position(|other| other.key == after.value);
            if found.is_none() {
                let message = format!("\"{owner}\" has no effect \"{}\" in this scene", after.value);
                let keys = effects.iter().map(|other| other.key.as_str()).filter(|key| *key != effect.key);
                findings.add(
                    Kind::UnknownAfter,
                    after.place,
                    message,
                    near::remedy(&after.value, "other effects", keys),
                );
            }
            found
        });
        states.push(if effect.after.is_said() && place.is_none() { AfterState::Out } else { AfterState::New });
        follows.push(place);
    }
    let mut order = Vec::new();
    for start in 0..effects.len() {
        // The chain from here back to something whose state is known.
        let mut chain = Vec::new();
        let mut next = Some(start);
        while let Some(at) = next.filter(|&at| states[at] == AfterState::New) {
            states[at] = AfterState::InChain;
            chain.push(at);
            next = follows[at];
        }
        let known = match next.map(|at| (at, states[at])) {
            None | Some((_, AfterState::In)) => AfterState::In,
            Some((at, AfterState::InChain)) => {
                let from = chain.iter().position(|&member| member == at).unwrap_or(0);
                report_ring(effects, &chain[from..], findings);
                AfterState::Out
            }
            Some(_) => AfterState::Out,
        };
        for &at in chain.iter().rev() {
            states[at] = known;
            if known == AfterState::In {
                order.push(at);
            }
        }
    }
    (follows, order)
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum AfterState {
    /// Not looked at.
    New,
    /// In the chain that is being walked.
    InChain,
    /// In the order.
    In,
    /// It leads to nothing that could be placed.
    Out,
}

/// Reports a ring once, at the first `after` of it in the file.
fn report_ring(effects: &[WrittenEffect], ring: &[usize], findings: &mut Findings) {
    let Some(place) = ring.iter().filter_map(|&at| effects[at].after.at()).map(|after| after.place).min() else {
        return;
    };
    let names: Vec<_> = ring.iter().chain(ring.first()).map(|&at| effects[at].key.as_str()).collect();
    let message = format!("these effects follow one another in a ring: {}", names.join(" after "));
    findings.add(Kind::AfterRing, place, message, "leave `after` out of one of them: that one then hears the mic");
}
