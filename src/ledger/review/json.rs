//! A review as JSON, version 1. JSON has no infinities: a level of "nothing there at all" is null.

use super::{Review, ReviewFeed};
use crate::ledger::notice::LocalTime;
use crate::ledger::shelf::ServiceLine;
use serde_json::{Value, json};

fn finite(x: Option<f64>) -> Option<f64> {
    x.filter(|x| x.is_finite())
}

impl ServiceLine {
    /// The line as JSON.
    pub fn json(&self, local: LocalTime<'_>) -> Value {
        json!({
            "service": self.id,
            "began": local(self.began_ms),
            "began_unix_ms": self.began_ms,
            "ended": self.ended_ms.map(local),
            "ended_unix_ms": self.ended_ms,
            "began_by": self.by,
            "integrated_lufs": finite(self.integrated_lufs),
            "warnings": self.warnings,
            "advices": self.advices,
            "note": self.note,
        })
    }
}

fn feed(f: &ReviewFeed) -> Value {
    let p = &f.programme;
    json!({
        "feed": f.name,
        "role": f.role.name(),
        "integrated_lufs": finite(p.integrated_lufs),
        "loudness_range_lu": finite(p.range_lu),
        "max_momentary_lufs": finite(p.max_momentary_lufs),
        "max_short_term_lufs": finite(p.max_short_term_lufs),
        "true_peak_dbtp": finite(p.true_peak_dbtp),
        "figures_from_log": f.from_ticks,
        "seconds": {
            "in_band": f.spent.in_band, "under": f.spent.under, "over": f.spent.over,
            "quiet": f.spent.quiet, "missing": f.spent.missing,
        },
        "gain_advice_db": f.gain.as_ref().map(|g| g.change_db),
        "gain_forbidden_db": f.gain.as_ref().map(|g| g.forbidden_db()),
    })
}

impl Review {
    /// The whole review but its picture.
    pub fn json(&self, local: LocalTime<'_>) -> Value {
        let alerts = self.alerts.iter().map(|a| {
            json!({
                "run": a.run, "alert": a.number, "feed": a.feed, "condition": a.condition,
                "severity": a.severity.name(), "headline": a.headline, "evidence": a.evidence,
                "began": local(a.began_ms), "began_s": (a.began_ms - self.line.began_ms) as f64 / 1000.0, "raised": local(a.raised_ms),
                "raised_s": (a.raised_ms - self.line.began_ms) as f64 / 1000.0,
                "acknowledged_after_s": a.acknowledged_ms.map(|t| (t - a.raised_ms) as f64 / 1000.0),
                "cleared": a.cleared_ms.map(local),
                "seconds": a.cleared_ms.map(|t| (t - a.began_ms) as f64 / 1000.0),
                "clearing": a.clearing, "comes_and_goes": a.comes_and_goes, "note": a.note,
            })
        });
        let mut value = self.line.json(local);
        let more = json!({
            "version": 1,
            "venue": self.venue,
            "going_on": self.going_on,
            "ended_by": self.ended_by,
            "restarts": self.restarts,
            "target": {
                "profile": self.target.profile, "lufs": self.target.lufs,
                "true_peak_dbtp": self.target.true_peak_dbtp,
            },
            "feeds": self.feeds.iter().map(feed).collect::<Vec<_>>(),
            "alerts": alerts.collect::<Vec<_>>(),
            "own_mix": self.own_mix.iter().map(|o| json!({
                "at": local(o.unix_ms), "verdict": o.verdict, "detail": o.detail })).collect::<Vec<_>>(),
            "box_faults": self.faults.iter().map(|(kind, sentence, from, to)| json!({
                "kind": kind, "sentence": sentence, "from": local(*from), "to": to.map(local) })).collect::<Vec<_>>(),
            "gaps": self.gaps.iter().map(|(from, to)| json!({
                "from": local(*from), "to": local(*to), "seconds": (to - from) as f64 / 1000.0 })).collect::<Vec<_>>(),
            "advice": self.advice(),
            "compared": self.compared(),
            "before": self.before.iter().map(|l| l.json(local)).collect::<Vec<_>>(),
        });
        if let (Value::Object(all), Value::Object(more)) = (&mut value, more) {
            all.extend(more);
        }
        value
    }
}
