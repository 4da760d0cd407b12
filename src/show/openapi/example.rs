//! The example of the document.

use crate::chain::{Chain, ChainSettings, LaneSpec};
use crate::feed::{Arrival, Block, FeedPatch, Mark, Role};
use crate::ledger::Board;
use crate::show::snapshot::Snapshot;
use crate::units::SampleRate;
use serde_json::{Value, json};

/// A moment that did happen: twelve seconds of noise that breathes like talk, in a service, then four of exact zeros.
pub(super) fn example() -> Value {
    let feeds = vec![FeedPatch::new("stream", Role::Stream, &[0, 1])];
    let spec = LaneSpec { rate: SampleRate::HZ_48000, channels: 2, feeds };
    let Ok(mut chain) = Chain::new(ChainSettings::default(), vec![spec]) else { return Value::Null };
    let mut board = Board::new("Larkfield Chapel", ChainSettings::default().target, &chain);
    board.now_unix_ms = 1_700_000_000_000;
    let (mut out, mut state) = (Vec::new(), 1u64);
    chain.step(0, Arrival::Mark(Mark::ServiceBegin), &mut out);
    for tenth in 0..160u32 {
        // Whole numbers only: the same on every processor. Xorshift noise under a triangle of 1.6 s.
        let breath = (tenth % 16).abs_diff(8) as f32 / 8.0;
        let mut samples = Vec::with_capacity(9_600);
        for _ in 0..4_800 {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            let white = (state >> 40) as f32 / (1u32 << 23) as f32 - 1.0;
            let sample = if tenth < 120 { white * (0.06 + 0.12 * breath) } else { 0.0 };
            samples.extend([sample, 0.9 * sample]);
        }
        chain.step(0, Arrival::Block(Block { samples: &samples }), &mut out);
        out.drain(..).for_each(|o| board.apply(&o));
    }
    board.look_at(&chain);
    let mut example = serde_json::to_value(Snapshot::of(&board)).unwrap_or_default();
    round(&mut example);
    example
}

/// Two digits: enough to read, and the same on every processor.
fn round(value: &mut Value) {
    match value {
        Value::Number(n) => {
            if let Some(x) = n.as_f64().filter(|_| n.is_f64()) {
                *value = json!((x * 100.0).round() / 100.0);
            }
        }
        Value::Array(items) => items.iter_mut().for_each(round),
        Value::Object(fields) => fields.values_mut().for_each(round),
        _ => {}
    }
}
