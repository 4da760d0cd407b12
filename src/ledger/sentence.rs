//! The sentence of the moment: what a volunteer reads across a dark booth. Calm unless something is to be done.

use super::Board;
use crate::feed::Role;
use crate::judge::{Alert, Severity};
use crate::words::said_of;

/// What the sentence asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mood {
    /// Nothing to do.
    Calm,
    /// Act at the next pause.
    Advice,
    /// Act now.
    Warning,
}

/// The sentence with what belongs to it.
#[derive(Debug, Clone, PartialEq)]
pub struct Sentence<'a> {
    /// What it asks for.
    pub mood: Mood,
    /// The sentence.
    pub text: String,
    /// More, when it is calm and needs explaining.
    pub more: &'static str,
    /// The alerts that it speaks of, at most two, the worst first.
    pub alerts: Vec<&'a Alert>,
}

/// At most this many alerts are shown at once.
const AT_ONCE: usize = 2;

/// What there is to say now.
pub fn sentence(board: &Board) -> Sentence<'_> {
    let told: Vec<&Alert> =
        board.standing.iter().filter(|a| a.evidence.severity > Severity::Note).take(AT_ONCE).collect();
    if let Some(worst) = told.first() {
        let feed = board.feeds.get(worst.feed).map_or("stream", |f| f.name.as_str());
        let mood = if worst.evidence.severity == Severity::Warning { Mood::Warning } else { Mood::Advice };
        return Sentence {
            mood,
            text: format!("{}.", said_of(feed, worst.evidence.words.headline)).replace("?.", "?"),
            more: "",
            alerts: told,
        };
    }
    let calm = |text: &str, more| Sentence { mood: Mood::Calm, text: text.into(), more, alerts: Vec::new() };
    let Some(stream) = board.feeds.iter().find(|f| f.role != Role::House) else {
        return calm("No stream is set up.", "Name the input of the stream mix in the settings.");
    };
    let knows = board.service.timetable || board.feeds.iter().any(|f| f.role == Role::House);
    match (stream.heard, stream.plays) {
        (true, true) => calm("All is well.", ""),
        (true, false) => calm("All is well. It is quiet now.", ""),
        (false, true) => calm("Sound is coming in.", ""),
        (false, false) if board.service.overdue => calm(
            "The start time has passed. Nothing is heard yet.",
            "If the service has begun, look at the stream mix on the desk.",
        ),
        (false, false) if knows => calm("Not started yet.", ""),
        (false, false) => calm(
            "Nothing is heard yet.",
            "I cannot know whether that is right. Two things would tell me: the sound of the room as a second input, or the set times of your services.",
        ),
    }
}

/// All calm sentences, for the test of their words.
pub const CALM: &[&str] = &[
    "No stream is set up.",
    "All is well.",
    "All is well. It is quiet now.",
    "Sound is coming in.",
    "The start time has passed. Nothing is heard yet.",
    "Not started yet.",
    "Nothing is heard yet.",
];

#[cfg(test)]
mod tests {
    use super::*;
    use crate::judge::ROSTER;

    /// Words of the trade that no sentence for volunteers may hold.
    const JARGON: &[&str] = &[
        "lufs",
        "dbfs",
        "clip",
        "gain",
        "transient",
        "latency",
        "buffer",
        "mono",
        "phase",
        "codec",
        "lra",
        "true peak",
    ];

    fn syllables(word: &str) -> usize {
        let word: Vec<char> = word.to_lowercase().chars().filter(|c| c.is_alphabetic()).collect();
        let vowel = |c: char| "aeiouy".contains(c);
        let groups = word.iter().enumerate().filter(|(i, c)| vowel(**c) && (*i == 0 || !vowel(word[i - 1]))).count();
        let silent =
            word.len() > 2 && word.ends_with(&['e']) && !vowel(word[word.len() - 2]) && word[word.len() - 2] != 'l';
        groups.saturating_sub(usize::from(silent)).max(1)
    }

    /// Flesch-Kincaid grade: 0.39 words a sentence + 11.8 syllables a word - 15.59.
    fn grade(text: &str) -> f64 {
        let words: Vec<&str> = text.split_whitespace().collect();
        let sentences = text.matches(['.', '?', '!']).count().max(1);
        let syllables: usize = words.iter().map(|w| syllables(w)).sum();
        0.39 * words.len() as f64 / sentences as f64 + 11.8 * syllables as f64 / words.len() as f64 - 15.59
    }

    #[test]
    fn what_volunteers_read_is_plain() {
        let headlines = ROSTER.iter().flat_map(|l| l.words).map(|w| said_of("stream", w.headline));
        let mut all: Vec<String> = CALM.iter().map(ToString::to_string).collect();
        for headline in headlines {
            assert!(headline.split_whitespace().count() <= 8, "more than 8 words: {headline}");
            all.push(headline);
        }
        let grades: Vec<f64> = all.iter().map(|s| grade(s)).collect();
        let mean = grades.iter().sum::<f64>() / grades.len() as f64;
        assert!(mean <= 7.0, "mean grade {mean:.1}");
        for sentence in &all {
            let low = sentence.to_lowercase();
            let found = JARGON.iter().find(|j| low.split(|c: char| !c.is_alphabetic()).any(|w| w == **j));
            assert!(found.is_none(), "{sentence}: {found:?} is a word of the trade");
        }
    }
}
