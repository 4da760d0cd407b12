//! Sentences for people that belong to no single condition: the state of the moment, and plain names of feeds.
//! Reading age 12; no word of the trade that is not explained.

/// Plain name of a feed: "stream", "room's mix", or its own name.
pub fn feed_name(name: &str) -> &str {
    match name {
        "house" => "room's mix",
        other => other,
    }
}

/// A sentence of a condition, with the feed's plain name put in.
pub fn said_of(feed: &str, sentence: &str) -> String {
    sentence.replace("{feed}", feed_name(feed))
}

/// A level for people, with its unit: "-18.0 LUFS", "silence", or a dash when there is none.
pub fn level(x: Option<f64>, unit: &str) -> String {
    match x {
        Some(x) if x.is_finite() => format!("{x:.1} {unit}"),
        Some(_) => "silence".into(),
        None => "–".into(),
    }
}
