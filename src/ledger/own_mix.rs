//! The comparison of stream and room in whole sentences, for the page, the JSON and the review.

use crate::likeness::{Detail, GROUPS, Kin, Likeness, Missing, Sides};

/// Plain names of the groups of bands, low to high.
pub const GROUP_NAMES: [&str; GROUPS] = ["Low notes", "Body of voices", "Clearness of voices", "Bright sounds"];

/// Smallest difference that is put into words, dB: less is hard to hear.
const WORTH_SAYING_DB: f64 = 1.0;

fn level(db: Option<f64>) -> String {
    match db {
        Some(db) if db.abs() >= 0.05 => format!("{:.1} dB {}", db.abs(), if db < 0.0 { "lower" } else { "higher" }),
        Some(_) => "at the same level".into(),
        None => "at an unknown level".into(),
    }
}

fn delay(ms: Option<f64>) -> String {
    match ms {
        Some(ms) if ms.abs() >= 0.05 => format!("{:.1} ms {}", ms.abs(), if ms < 0.0 { "earlier" } else { "later" }),
        Some(_) => "at the same time".into(),
        None => "at an unknown time".into(),
    }
}

/// The verdict in one sentence.
pub fn headline(l: &Likeness) -> String {
    match l.kin {
        Kin::Own => "The stream has its own mix.".into(),
        Kin::Copy => format!("The stream is a copy of the room's mix ({}, {}).", level(l.level_db), delay(l.delay_ms)),
        Kin::Unrelated => "The stream and the room share no sound.".into(),
        Kin::Unsure => match l.detail {
            Detail::StreamSilent => "The stream is silent, so I cannot compare it with the room.".into(),
            Detail::HouseSilent => "The room's mix is silent, so I cannot compare the stream with it.".into(),
            Detail::FeedMissing => "One of the two inputs does not come, so I cannot compare them.".into(),
            Detail::RoomMicrophone => {
                "Stream and room hear the same event. A microphone in the room cannot show more.".into()
            }
            Detail::OneSource => "No difference from the room's mix so far. It may still be a mix of its own.".into(),
            Detail::InBetween => "There are small differences from the room's mix. I cannot tell what they are.".into(),
            Detail::OneSide => {
                "The stream differs from the room's mix, of which I hear one channel. The rest may be on the other."
                    .into()
            }
            _ => "I cannot tell yet whether the stream has its own mix.".into(),
        },
    }
}

/// What is missing for a certain answer, one sentence; empty when nothing is.
pub fn missing(l: &Likeness) -> String {
    let Some((what, seconds)) = l.missing else { return String::new() };
    let s = seconds.ceil().max(1.0);
    match what {
        Missing::StreamSound => "It needs sound on the stream.".into(),
        Missing::HouseSound => "It needs sound in the room's mix.".into(),
        Missing::SharedSound => "It needs sound on both inputs.".into(),
        Missing::Time => format!("It needs {s:.0} s more of sound."),
        Missing::Talk => format!("It needs {s:.0} s of talk beside the music."),
        Missing::Music => format!("It needs {s:.0} s of music beside the talk."),
        Missing::TalkAndMusic => format!("It needs {s:.0} s of talk and {s:.0} s of music."),
        Missing::VariedSound => "It needs more sound in which talk and instruments take turns.".into(),
        Missing::BothSides => {
            "It needs both sides of the room's mix, or word from whoever set this up that its one channel is all of it."
                .into()
        }
        Missing::DeskFeed => "It needs the room's mix by a line from the desk.".into(),
    }
}

/// What else there is to say, whole sentences: how the mixes differ, what lies in between.
pub fn particulars(l: &Likeness) -> Vec<String> {
    let mut all = Vec::new();
    if l.kin == Kin::Own {
        if let (Some(talk), Some(music)) = (l.talk_db, l.music_db)
            && (talk - music).abs() >= WORTH_SAYING_DB
        {
            let d = talk - music;
            let word = if d > 0.0 { "louder" } else { "softer" };
            all.push(format!("Against the music, talk is {:.0} dB {word} on the stream than in the room.", d.abs()));
        }
        for (name, group) in GROUP_NAMES.iter().zip(&l.groups) {
            if let Some(over) = group.over_db.filter(|o| o.abs() >= WORTH_SAYING_DB) {
                let word = if over > 0.0 { "louder" } else { "softer" };
                all.push(format!("{name}: {:.0} dB {word} on the stream than in the room.", over.abs()));
            }
        }
    }
    if l.kin == Kin::Copy {
        match l.detail {
            Detail::Processed => all.push("Its tone or its loudness was shaped on the way.".into()),
            Detail::Added => all.push("Something is added to it, such as microphones in the room.".into()),
            _ => {}
        }
    }
    if matches!(l.kin, Kin::Own | Kin::Copy) {
        match l.sides {
            Some(Sides::Swapped) => all.push("Left and right have changed places.".into()),
            Some(Sides::Summed) => all.push("Both sides of the stream carry the same sum.".into()),
            _ => {}
        }
        if l.inverted == Some(true) {
            all.push("The stream is turned over against the room's mix; nobody hears that by itself.".into());
        }
    }
    if l.evidence_seconds > 0.0 {
        all.push(format!(
            "{:.0} s were compared: {:.0} s of talk, {:.0} s of music.",
            l.evidence_seconds, l.talk_seconds, l.music_seconds
        ));
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_copy_is_told_with_level_and_delay() {
        let l = Likeness { kin: Kin::Copy, level_db: Some(-12.4), delay_ms: Some(3.1), ..Likeness::default() };
        assert_eq!(headline(&l), "The stream is a copy of the room's mix (12.4 dB lower, 3.1 ms later).");
        let same = Likeness { level_db: Some(0.01), delay_ms: Some(0.0), ..l };
        assert_eq!(headline(&same), "The stream is a copy of the room's mix (at the same level, at the same time).");
    }

    #[test]
    fn what_is_missing_is_said_in_seconds() {
        let l = Likeness { missing: Some((Missing::Music, 19.2)), detail: Detail::OneSource, ..Likeness::default() };
        assert_eq!(missing(&l), "It needs 20 s of music beside the talk.");
        assert!(headline(&l).starts_with("No difference"));
    }

    #[test]
    fn an_own_mix_names_what_differs() {
        let mut l = Likeness { kin: Kin::Own, talk_db: Some(3.0), music_db: Some(-2.0), ..Likeness::default() };
        l.groups[0].over_db = Some(-3.1);
        assert_eq!(
            particulars(&l),
            [
                "Against the music, talk is 5 dB louder on the stream than in the room.",
                "Low notes: 3 dB softer on the stream than in the room."
            ]
        );
    }
}
