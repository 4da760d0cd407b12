//! The shapes that conditions speak in: verdict, evidence, severity, words.

/// How much an alert asks of the booth.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// For the log and the review only.
    Note,
    /// Act at the next pause.
    Advice,
    /// Act now.
    Warning,
}

impl Severity {
    /// Name in settings, metrics and exports.
    pub fn name(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Advice => "advice",
            Self::Warning => "warning",
        }
    }

    /// The severity of this name.
    pub fn named(name: &str) -> Option<Self> {
        [Self::Note, Self::Advice, Self::Warning].into_iter().find(|s| s.name() == name)
    }
}

/// What a condition says of this moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Verdict {
    /// It holds.
    Bad(Evidence),
    /// It does not hold.
    Good,
    /// Cannot tell: the present state stays, timers stand still.
    Unsure,
}

/// Why a condition holds, and what to say about it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evidence {
    /// Words for people.
    pub words: &'static Words,
    /// How much it asks.
    pub severity: Severity,
    /// The value found, in the unit that `words.evidence` names.
    pub value: f64,
    /// The limit that it passed, same unit.
    pub limit: f64,
    /// Dwell before it is raised, seconds, in place of the condition's own setting.
    pub after_seconds: Option<f64>,
}

impl Evidence {
    /// Evidence of `value` beyond `limit`.
    pub fn new(words: &'static Words, severity: Severity, value: f64, limit: f64) -> Self {
        Self { words, severity, value, limit, after_seconds: None }
    }

    /// The same with another dwell.
    pub fn after(self, seconds: f64) -> Self {
        Self { after_seconds: Some(seconds), ..self }
    }

    /// One sentence with the numbers, for the review and the JSON.
    pub fn sentence(&self) -> String {
        let put = |text: String, name: &str, x: f64| match x {
            x if x.is_finite() => text.replace(name, &format!("{x:.1}")),
            x if x > 0.0 => text.replace(name, "more than 100"),
            _ => text.replace(&format!("{name} LUFS"), "no level at all").replace(name, "less than -100"),
        };
        put(put(self.words.evidence.into(), "{value}", self.value), "{limit}", self.limit)
    }
}

/// Words for people, whole sentences; `{feed}` stands for the feed's plain name ("stream", "room's mix").
#[derive(Debug, PartialEq, Eq)]
pub struct Words {
    /// What is wrong, at most 8 words, no jargon.
    pub headline: &'static str,
    /// What to check, first to third.
    pub checks: [&'static str; 3],
    /// What the viewers hear meanwhile.
    pub viewers: &'static str,
    /// What the numbers were; `{value}` and `{limit}` with their units in the text.
    pub evidence: &'static str,
    /// Said beside the checks where the work can hurt somebody; empty otherwise.
    pub caution: &'static str,
}
