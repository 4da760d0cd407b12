//! Listens to the feeds of the settings for a while, with the very chain that measures and judges live.

use crate::chain::{Chain, LaneSpec, Outcome};
use crate::feed::{Arrival, Role};
use crate::ledger::linecheck::Heard;
use crate::run::LanePlan;
use crate::settings::Settings;
use crate::source::Polled;
use std::time::{Duration, Instant};

/// The feeds, open.
pub(super) struct Ear {
    chain: Chain,
    lanes: Vec<(LanePlan, Instant)>,
    /// Index of the stream's feed.
    pub(super) stream: usize,
    stream_lane: usize,
}

impl Ear {
    pub(super) fn open(settings: &Settings) -> anyhow::Result<Self> {
        let lanes = crate::cmd::watch::lanes(settings)?;
        let specs = lanes.iter().map(|l| LaneSpec {
            rate: l.rate,
            channels: l.feeds.iter().flat_map(|f| &f.channels).max().map_or(1, |c| usize::from(*c) + 1),
            feeds: l.feeds.clone(),
        });
        let chain = Chain::new(settings.chain.clone(), specs.collect())?;
        let roles: Vec<Role> = (0..chain.feeds()).filter_map(|i| chain.feed(i)).map(|f| f.role).collect();
        let stream = roles.iter().position(|r| *r != Role::House).unwrap_or(0);
        let stream_lane = chain.lane_of_feeds().nth(stream).unwrap_or(0);
        let now = Instant::now();
        Ok(Self { chain, lanes: lanes.into_iter().map(|l| (l, now)).collect(), stream, stream_lane })
    }

    /// The room's mix is among them.
    pub(super) fn has_house(&self) -> bool {
        (0..self.chain.feeds()).filter_map(|i| self.chain.feed(i)).any(|f| f.role == Role::House)
    }

    /// Where each feed comes from.
    pub(super) fn feeds(&self) -> Vec<String> {
        self.chain.lane_of_feeds().map(|l| self.lanes[l].0.source.describe()).collect()
    }

    /// The devices.
    pub(super) fn describe(&self) -> String {
        self.lanes.iter().map(|l| l.0.source.describe()).collect::<Vec<_>>().join("; ")
    }

    /// Listens for `seconds` of the steady clock, or until what was heard is `enough`.
    pub(super) fn listen(&mut self, seconds: f64, enough: impl Fn(&Heard) -> bool) -> anyhow::Result<Heard> {
        let mut heard = Heard { readings: vec![Vec::new(); self.chain.feeds()], ..Heard::default() };
        let start = Instant::now();
        let mut out = Vec::new();
        // What waited in the device's buffer is from before: the count begins with the second delivery.
        let mut first: Option<Instant> = None;
        let mut last = start;
        loop {
            let mut ended = true;
            for index in 0..self.lanes.len() {
                let (frames, lost, over) = self.poll(index, &mut out)?;
                ended &= over;
                if index == self.stream_lane && frames > 0 {
                    match first {
                        None => first = Some(Instant::now()),
                        Some(_) => {
                            heard.frames += frames;
                            last = Instant::now();
                        }
                    }
                }
                heard.lost_frames += lost;
            }
            out.drain(..).for_each(|o| heard.take(&o));
            if enough(&heard) || ended || start.elapsed().as_secs_f64() >= seconds {
                break;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        heard.likeness = self.chain.likeness().cloned();
        heard.rate_hz = self.chain.format(self.stream_lane).0.hz();
        heard.seconds = first.map_or(0.0, |f| last.duration_since(f).as_secs_f64());
        Ok(heard)
    }

    /// One look at one device: frames that came, frames lost, whether it has ended.
    fn poll(&mut self, index: usize, out: &mut Vec<Outcome>) -> anyhow::Result<(u64, u64, bool)> {
        let Self { chain, lanes, .. } = self;
        let (lane, last) = &mut lanes[index];
        let (mut frames, mut lost) = (0, 0);
        loop {
            let polled = lane.source.poll(&mut |arrival| {
                match arrival {
                    Arrival::Lost { frames } => lost += frames,
                    Arrival::Block(_) => *last = Instant::now(),
                    _ => {}
                }
                chain.step(index, arrival, out);
            });
            match polled {
                Polled::Gave { frames: more } => {
                    frames += more;
                    if lane.source.paced() {
                        return Ok((frames, lost, false));
                    }
                }
                Polled::Format(format) => {
                    if chain.format(index) != (format.rate, format.channels) {
                        chain.refit(index, format.rate, format.channels)?;
                    }
                }
                Polled::Failed(why) => anyhow::bail!(why),
                Polled::Ended => return Ok((frames, lost, true)),
                Polled::Nothing => {
                    let waited = last.elapsed();
                    if lane.source.paced() && waited > Duration::from_millis(300) {
                        *last = Instant::now();
                        chain.step(index, Arrival::Idle { waited }, out);
                    }
                    return Ok((frames, lost, false));
                }
            }
        }
    }
}
