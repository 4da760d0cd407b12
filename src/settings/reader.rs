//! Reads one TOML table key by key: each key is asked for once, with its default, what is allowed and what it
//! means. The same asking, over an empty table, writes the commented file of defaults: one source for both.

use super::problem::{Problem, nearest};
use super::renamed;
use std::fmt::Write as _;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What has been found so far, over all sections.
#[derive(Default)]
pub(super) struct Report {
    pub(super) problems: Vec<Problem>,
    /// What is read, and has another name by now.
    pub(super) hints: Vec<Problem>,
    /// The commented defaults, as they are asked for.
    pub(super) defaults: String,
}

/// One section.
pub(super) struct Section<'r, 't> {
    report: &'r mut Report,
    text: &'t str,
    name: String,
    table: Option<&'t DeTable<'t>>,
    asked: Vec<&'static str>,
}

impl<'r, 't> Section<'r, 't> {
    /// Section `name` (dotted) of the file; `about` stands above it in the defaults.
    pub(super) fn new(report: &'r mut Report, text: &'t str, root: &'t DeTable<'t>, name: &str, about: &str) -> Self {
        let mut table = Some(root);
        for part in name.split('.') {
            table = match table.and_then(|t| t.get(part)) {
                Some(value) => {
                    let inner = value.get_ref().as_table();
                    if inner.is_none() && table.is_some() {
                        let sentence = format!("{} was found; [{name}] is a section", describe(value.get_ref()));
                        report.problems.push(Problem { line: line_of(text, value), key: name.into(), sentence });
                    }
                    inner
                }
                None => None,
            };
        }
        if !about.is_empty() {
            for line in about.lines() {
                let _ = writeln!(report.defaults, "# {line}");
            }
        }
        let _ = writeln!(report.defaults, "[{name}]");
        Self { report, text, name: name.into(), table, asked: Vec::new() }
    }

    fn take(&mut self, key: &'static str, default: &str, doc: &str) -> Option<&'t Spanned<DeValue<'t>>> {
        self.asked.push(key);
        let _ =
            writeln!(self.report.defaults, "# {doc}\n{}{key} = {default}", if default.is_empty() { "#" } else { "" });
        let (name, value) = self.given(key)?;
        if name != key {
            self.asked.push(name);
            if self.table.is_some_and(|t| t.contains_key(key)) {
                self.clash(key, &format!("stands beside {key}, its new name: keep that one"));
            } else {
                let sentence = format!("is called {key} now; it is read all the same");
                let problem =
                    Problem { line: line_of(self.text, value), key: format!("{}.{name}", self.name), sentence };
                self.report.hints.push(problem);
            }
        }
        Some(value)
    }

    /// What stands under `key`, or under the name that it had before, and that name.
    fn given(&self, key: &'static str) -> Option<(&'static str, &'t Spanned<DeValue<'t>>)> {
        let mut names = renamed::earlier(&self.name, key).into_iter().chain([key]);
        names.find_map(|name| Some((name, self.table?.get(name)?)))
    }

    fn wrong(&mut self, key: &str, value: &Spanned<DeValue<'t>>, want: &str) {
        let sentence = format!("{} was found; give {want}", describe(value.get_ref()));
        let line = line_of(self.text, value);
        self.report.problems.push(Problem { line, key: format!("{}.{key}", self.name), sentence });
    }

    /// A number from `least` to `most`.
    pub(super) fn number(&mut self, key: &'static str, default: f64, least: f64, most: f64, doc: &str) -> f64 {
        let doc = format!("{doc} ({least} to {most})");
        let Some(value) = self.take(key, &format!("{default}"), &doc) else { return default };
        match as_number(value.get_ref()) {
            Some(n) if (least..=most).contains(&n) => n,
            _ => {
                self.wrong(key, value, &format!("a number from {least} to {most}"));
                default
            }
        }
    }

    /// A number from `least` to `most`, or nothing: then what `instead` says holds.
    pub(super) fn maybe_number(
        &mut self,
        key: &'static str,
        instead: &str,
        least: f64,
        most: f64,
        doc: &str,
    ) -> Option<f64> {
        let value = self.take(key, "", &format!("{doc} ({least} to {most}; without it {instead})"))?;
        let number = as_number(value.get_ref()).filter(|n| (least..=most).contains(n));
        if number.is_none() {
            self.wrong(key, value, &format!("a number from {least} to {most}, or leave the key out"));
        }
        number
    }

    /// true or false.
    pub(super) fn switch(&mut self, key: &'static str, default: bool, doc: &str) -> bool {
        let Some(value) = self.take(key, &format!("{default}"), doc) else { return default };
        value.get_ref().as_bool().unwrap_or_else(|| {
            self.wrong(key, value, "true or false");
            default
        })
    }

    /// Text that `check` accepts; it answers with what it wants otherwise.
    pub(super) fn text(
        &mut self,
        key: &'static str,
        default: &str,
        doc: &str,
        check: impl Fn(&str) -> Result<(), String>,
    ) -> String {
        let Some(value) = self.take(key, &format!("{default:?}"), doc) else { return default.into() };
        let wanted = match value.get_ref().as_str().map(|s| (s, check(s))) {
            Some((s, Ok(()))) => return s.into(),
            Some((_, Err(want))) => want,
            None => "text in quotes".into(),
        };
        self.wrong(key, value, &wanted);
        default.into()
    }

    /// Text that may be a secret put in the wrong place: what was found is not repeated.
    pub(super) fn secret_text(
        &mut self,
        key: &'static str,
        doc: &str,
        check: impl Fn(&str) -> Result<(), String>,
    ) -> String {
        let Some(value) = self.take(key, "\"\"", doc) else { return String::new() };
        match value.get_ref().as_str().map(|s| (s, check(s))) {
            Some((s, Ok(()))) => return s.into(),
            Some((_, Err(want))) => {
                let line = line_of(self.text, value);
                let sentence = format!("is none of the forms allowed; give {want}");
                self.report.problems.push(Problem { line, key: format!("{}.{key}", self.name), sentence });
            }
            None => self.wrong(key, value, "text in quotes"),
        }
        String::new()
    }

    /// A list of texts that `check` accepts, each; none by default.
    pub(super) fn texts<T>(
        &mut self,
        key: &'static str,
        doc: &str,
        check: impl Fn(&str) -> Result<T, String>,
    ) -> Vec<T> {
        self.texts_or(key, &[], doc, check)
    }

    /// A list of texts that `check` accepts, each; `default` must be such a list.
    pub(super) fn texts_or<T>(
        &mut self,
        key: &'static str,
        default: &[&str],
        doc: &str,
        check: impl Fn(&str) -> Result<T, String>,
    ) -> Vec<T> {
        let Some(value) = self.take(key, &format!("{default:?}"), doc) else {
            return default.iter().filter_map(|d| check(d).ok()).collect();
        };
        let Some(list) = value.get_ref().as_array() else {
            self.wrong(key, value, "a list of texts, such as [\"one\", \"two\"]");
            return Vec::new();
        };
        let mut good = Vec::new();
        for item in list.iter() {
            match item.get_ref().as_str().map(&check) {
                Some(Ok(t)) => good.push(t),
                Some(Err(want)) => self.wrong(key, item, &want),
                None => self.wrong(key, item, "text in quotes"),
            }
        }
        good
    }

    /// A list of whole numbers from `least` to `most`, `count` of them at least and at most.
    pub(super) fn whole_numbers(
        &mut self,
        key: &'static str,
        default: &[u16],
        (least, most): (u16, u16),
        (few, many): (usize, usize),
        doc: &str,
    ) -> Vec<u16> {
        let Some(value) = self.take(key, &format!("{default:?}"), doc) else { return default.to_vec() };
        let numbers: Option<Vec<u16>> = value.get_ref().as_array().and_then(|list| {
            let number = |v: &Spanned<DeValue<'_>>| {
                as_number(v.get_ref()).filter(|n| n.fract() == 0.0 && *n >= f64::from(least) && *n <= f64::from(most))
            };
            list.iter().map(|v| number(v).map(|n| n as u16)).collect()
        });
        match numbers {
            Some(n) if (few..=many).contains(&n.len()) => n,
            _ => {
                self.wrong(
                    key,
                    value,
                    &format!("{few} to {many} whole numbers from {least} to {most}, such as {default:?}"),
                );
                default.to_vec()
            }
        }
    }

    /// Reports that what `key` says does not go with the rest of the section.
    pub(super) fn clash(&mut self, key: &'static str, sentence: &str) {
        let (name, line) = self.given(key).map_or((key, 0), |(name, value)| (name, line_of(self.text, value)));
        self.report.problems.push(Problem { line, key: format!("{}.{name}", self.name), sentence: sentence.into() });
    }

    /// Reports keys that nobody asked for; `sections` may stand below this one.
    pub(super) fn finish(self, sections: &[&str]) {
        let _ = writeln!(self.report.defaults);
        let Some(table) = self.table else { return };
        for (key, _) in table
            .iter()
            .filter(|(k, _)| !self.asked.contains(&k.get_ref().as_ref()) && !sections.contains(&k.get_ref().as_ref()))
        {
            unknown(self.report, self.text, &self.name, key, &self.asked);
        }
    }
}

/// Reports an unknown name, with the nearest known one.
pub(super) fn unknown(
    report: &mut Report,
    text: &str,
    section: &str,
    key: &Spanned<toml::de::DeString<'_>>,
    known: &[&str],
) {
    let found = key.get_ref().as_ref();
    let hint = match nearest(found, known) {
        Some(near) => format!("is not known; did you mean {near}?"),
        None => format!("is not known; known here: {}", known.join(", ")),
    };
    let name = if section.is_empty() { found.to_string() } else { format!("{section}.{found}") };
    report.problems.push(Problem { line: line_at(text, key.span().start), key: name, sentence: hint });
}

fn as_number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(i) => i64::from_str_radix(&i.as_str().replace('_', ""), i.radix()).ok().map(|i| i as f64),
        DeValue::Float(f) => f.as_str().replace('_', "").parse().ok().filter(|f: &f64| f.is_finite()),
        _ => None,
    }
}

fn describe(value: &DeValue<'_>) -> String {
    match value {
        DeValue::Integer(i) => i.as_str().to_string(),
        DeValue::Float(f) => f.as_str().to_string(),
        DeValue::Boolean(b) => b.to_string(),
        DeValue::String(s) => format!("\"{s}\""),
        other => format!("{} {}", if other.is_array() { "an" } else { "a" }, other.type_str()),
    }
}

fn line_of(text: &str, value: &Spanned<DeValue<'_>>) -> usize {
    line_at(text, value.span().start)
}

/// Line of a byte offset, 1 upward.
pub(super) fn line_at(text: &str, offset: usize) -> usize {
    text.as_bytes()[..offset.min(text.len())].iter().filter(|b| **b == b'\n').count() + 1
}
