//! Faults of the box itself, by kind: raised by whoever sees them, read by whoever shows them.

use crate::ledger::Fault;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

/// The faults that stand. Clones share them.
#[derive(Clone, Default)]
pub struct Faults {
    standing: Arc<Mutex<BTreeMap<&'static str, String>>>,
}

impl Faults {
    /// Raises (or rewords) the fault of `kind`, or clears it.
    pub fn set(&self, kind: &'static str, sentence: Option<String>) {
        let Ok(mut standing) = self.standing.lock() else { return };
        match sentence {
            Some(sentence) if standing.get(kind) != Some(&sentence) => {
                tracing::warn!(fault = kind, "{sentence}");
                standing.insert(kind, sentence);
            }
            None if standing.remove(kind).is_some() => tracing::info!(fault = kind, "over"),
            _ => {}
        }
    }

    /// All that stand.
    pub fn list(&self) -> Vec<Fault> {
        self.standing.lock().map_or_else(
            |_| Vec::new(),
            |s| s.iter().map(|(kind, sentence)| Fault { kind, sentence: sentence.clone() }).collect(),
        )
    }
}
