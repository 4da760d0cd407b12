//! The runbooks: one page a condition, from the words and numbers that the program itself uses. For the person who
//! helps from afar, and for the one at the desk whom that person talks to.

use crate::judge::{Listing, ROSTER, Words};
use crate::words::said_of;
use std::fmt::Write as _;

/// One page, Markdown.
pub fn page(listing: &Listing) -> String {
    let name = listing.name;
    let mut text = format!("# {name}\nWhat it is: {}.\n", listing.about);
    text.push_str("\n## What the booth reads\n");
    for words in listing.words {
        said(&mut text, words);
    }
    text.push_str("\n## When it is told\nIn the settings, section `[judge.");
    let _ = writeln!(text, "{name}]`:\n\n| key | default | allowed | meaning |\n|---|---|---|---|");
    for knob in listing.knobs {
        let _ =
            writeln!(text, "| `{}` | {} | {} to {} | {} |", knob.key, knob.default, knob.least, knob.most, knob.doc);
    }
    let list = |names: Vec<&str>| names.iter().map(|n| format!("[{n}]({n}.md)")).collect::<Vec<_>>().join(", ");
    if !listing.hides.is_empty() {
        let _ =
            writeln!(text, "\nWhile it stands, these are not told (the same cause): {}.", list(listing.hides.to_vec()));
    }
    let hidden_by: Vec<&str> = ROSTER.iter().filter(|l| l.hides.contains(&name)).map(|l| l.name).collect();
    if !hidden_by.is_empty() {
        let _ = writeln!(text, "\nIt is not told while one of these stands: {}.", list(hidden_by));
    }
    let _ = write!(
        text,
        "\n## From afar\n\
         - Where it stands: `mixwarden_condition_state{{condition=\"{name}\"}}` (2 raised, 3 somebody in the booth is on it).\n\
         - Since when: `mixwarden_alert_raised_timestamp_seconds{{condition=\"{name}\"}}`; its label `severity` says how much it asks.\n\
         - What the booth sees: `mixwarden status --url ADDRESS`, or the venue's page.\n\
         - If nobody has pressed \"Seen, we're checking\" after a minute, call the booth, and read them the checks above.\n"
    );
    text
}

fn said(text: &mut String, words: &Words) {
    let _ = writeln!(text, "\n### {}\n{}\n", said_of("stream", words.headline), words.viewers);
    for (n, check) in words.checks.iter().enumerate() {
        let _ = writeln!(text, "{}. {}", n + 1, said_of("stream", check));
    }
    if !words.caution.is_empty() {
        let _ = writeln!(text, "\n**{}**", words.caution);
    }
    let numbers = words.evidence.replace("{value}", "*found*").replace("{limit}", "*limit*");
    let _ = writeln!(text, "\nThe numbers, as the review gives them: {numbers}");
}

/// The page that lists them all, Markdown.
pub fn index() -> String {
    let mut text = String::from(
        "# Runbooks\n\
         Made from the program's own words: `BLESS=1 cargo test --release --test fleet` renews them.\n\
         [The box itself](the-box.md) has the alerts that are no fault of the sound.\n\n\
         | condition | what it is |\n|---|---|\n",
    );
    for l in ROSTER {
        let _ = writeln!(text, "| [{0}]({0}.md) | {1} |", l.name, l.about);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_has_every_word_and_every_number_of_its_condition_and_no_blank_left_open() {
        for listing in ROSTER {
            let page = page(listing);
            assert!(!page.contains("{feed}") && !page.contains("{value}") && !page.contains("{limit}"), "{page}");
            for knob in listing.knobs {
                assert!(page.contains(&format!("| `{}` | {} |", knob.key, knob.default)), "{page}");
            }
            for words in listing.words {
                assert!(words.checks.iter().all(|c| page.contains(&said_of("stream", c))), "{page}");
            }
        }
    }
}
