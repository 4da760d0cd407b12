//! What is wrong in a settings file: where, what was found, what is allowed, what to do. All at once.

use std::fmt;

/// One mistake.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Line, 1 upward; 0 when it has no place of its own.
    pub line: usize,
    /// Key with its sections: `judge.clipping.runs`.
    pub key: String,
    /// What was found and what is allowed, one sentence.
    pub sentence: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (self.line, self.key.as_str()) {
            (0, "") => write!(f, "{}", self.sentence),
            (0, key) => write!(f, "{key}: {}", self.sentence),
            (line, "") => write!(f, "line {line}: {}", self.sentence),
            (line, key) => write!(f, "line {line}: {key}: {}", self.sentence),
        }
    }
}

/// The known name nearest to `found`, if one is near enough to be meant.
pub(super) fn nearest<'a>(found: &str, known: &[&'a str]) -> Option<&'a str> {
    let best = known.iter().map(|k| (distance(found, k), *k)).min()?;
    (best.0 <= 1 + found.len() / 4).then_some(best.1)
}

/// Edits (insert, delete, replace) between two names.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let replaced = diagonal + usize::from(x != *y);
            diagonal = row[j + 1];
            row[j + 1] = replaced.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}
