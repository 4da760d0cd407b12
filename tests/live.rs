//! The program on real sound servers and devices: every channel is read as it was sent, every fault of the line is
//! noticed, told and recovered from, and the wrong source is never taken for the stream.
#![allow(clippy::unwrap_used)] // a test may fall where it stands

mod booth;

use booth::pulse::{Player, Pulse};
use booth::{Daemon, Events, Peer, wait};
use serde_json::Value;
use std::io::Write as _;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Tone and level of a channel in the tests: each has its own.
fn tone(channel: usize) -> (u32, f64) {
    (300 + 100 * channel as u32, -14.0 - 0.75 * channel as f64)
}

fn near(value: &Value, wanted: f64) -> bool {
    value.as_f64().is_some_and(|x| (x - wanted).abs() < 0.2)
}

#[test]
fn each_of_up_to_32_channels_is_read_as_it_was_sent() {
    let counts = [1usize, 2, 4, 8, 10, 18, 32];
    let names: Vec<String> = counts.iter().map(|n| format!("desk{n}")).collect();
    let sinks: Vec<(&str, usize)> = names.iter().map(String::as_str).zip(counts).collect();
    let pulse = Pulse::start(&sinks);
    for (name, n) in sinks {
        let tones: Vec<_> = (0..n).map(tone).collect();
        let _player = pulse.play(name, &tones);
        let id = format!("pulse:{name}.monitor");
        let listener = Peer::example("listener", &[&id], &pulse.environment());
        // The first half second may hold the player's beginning.
        let heard = wait("steady tones", || {
            let heard = listener.line(&id);
            heard["channels"].as_array()?.iter().all(|c| !c["rms_dbfs"].is_null()).then(|| listener.line(&id))
        });
        assert_eq!(heard["channels"].as_array().unwrap().len(), n);
        for (c, channel) in heard["channels"].as_array().unwrap().iter().enumerate() {
            let (hz, level) = tones[c];
            assert_eq!(channel["tone_hz"], hz, "{name}, channel {}: {heard}", c + 1);
            assert!(near(&channel["rms_dbfs"], level), "{name}, channel {}, {level}: {channel}", c + 1);
        }
        // The last two channels as the stream's left and right, crossed; the first as the house.
        let (left, right) = (n, n.max(2) - 1);
        let pair = if n == 1 { "[1]".into() } else { format!("[{left}, {right}]") };
        let daemon = Daemon::watch(
            &format!(
                "[feed.stream]\ndevice = \"{id}\"\nchannels = {pair}\n[feed.house]\ndevice = \"{id}\"\nchannels = [1]\n"
            ),
            &pulse.environment(),
        );
        let mut wanted = vec![tone(left - 1).1];
        wanted.extend((n > 1).then(|| tone(right - 1).1));
        wait(&format!("{name}: the levels of channels {pair}"), || {
            let now = daemon.now();
            let rms = now["feeds"][0]["rms_dbfs"].as_array()?.clone();
            let stream = rms.len() == wanted.len() && rms.iter().zip(&wanted).all(|(x, w)| near(x, *w));
            (stream && near(&now["feeds"][1]["rms_dbfs"][0], tone(0).1)).then_some(())
        });
    }
}

/// A daemon on `desk.monitor`, with sound.
struct Line {
    pulse: Pulse,
    daemon: Daemon,
    events: Events,
    player: Option<Player>,
    /// Module of the desk's sink, once it was plugged in anew.
    module: Option<String>,
}

/// Level of the desk's tone, and of the telephone's that must never be taken for it: dBFS RMS.
const DESK: f64 = -20.0;
const PHONE: f64 = -6.0;

/// The desk plays tones here: what is told of tones is not looked for.
const TONES_ARE_WELL: &str = "[judge.tone_left_on]\nenabled = false\n[judge.howl]\nenabled = false\n\
    [judge.steady_noise]\nenabled = false\n[judge.hum]\nenabled = false\n\
    [judge.repeats]\nenabled = false\n[judge.clicks]\nenabled = false\n";

impl Line {
    fn new() -> Self {
        Self::of("pulse:desk.monitor")
    }

    fn of(device: &str) -> Self {
        let pulse = Pulse::start(&[("desk", 2), ("phone", 2)]);
        pulse.pactl(&["set-default-source", "desk.monitor"]);
        let daemon =
            Daemon::watch(&format!("[feed.stream]\ndevice = \"{device}\"\n{TONES_ARE_WELL}"), &pulse.environment());
        let events = Events::open(&daemon);
        let mut line = Self { pulse, daemon, events, player: None, module: None };
        line.play();
        line
    }

    fn seconds(&self) -> f64 {
        self.daemon.now()["stream_seconds"].as_f64().unwrap()
    }

    fn play(&mut self) {
        self.player = Some(self.pulse.play("desk", &[(400, DESK), (500, DESK)]));
    }

    fn well(&self) {
        wait("sound", || {
            let now = self.daemon.now();
            self.never_the_phone(&now);
            let up = now["feeds"][0]["signal"] == "sound" && now["feeds"][0]["heard"] == true;
            (up && now["alerts"].as_array()?.is_empty()).then_some(())
        });
    }

    /// The telephone is 14 dB louder than the desk ever is: had one tick of it been judged, the peak would say so.
    fn never_the_phone(&self, now: &Value) {
        let feed = &now["feeds"][0];
        let peak = feed["max_true_peak_dbtp"].as_f64().unwrap_or(f64::NEG_INFINITY);
        assert!(peak < DESK + 6.0, "the wrong source was judged: peak {peak} dBTP");
        for rms in feed["rms_dbfs"].as_array().unwrap() {
            assert!(rms.as_f64().is_none_or(|x| x < DESK + 1.0), "the wrong source was judged: {rms} dBFS");
        }
    }

    /// Brings a fault about and checks that it is told in time everywhere, and over in time after `mend`.
    fn cycle(&mut self, what: &str, condition: &str, break_it: fn(&mut Self), mend: fn(&mut Self)) {
        self.well();
        let began = self.seconds();
        break_it(self);
        let series = format!("mixwarden_condition_state{{condition=\"{condition}\",feed=\"stream\"}}");
        let alert = wait(&format!("{what}: {condition}"), || {
            let now = self.daemon.now();
            self.never_the_phone(&now);
            now["alerts"].as_array()?.iter().find(|a| a["condition"] == condition).cloned()
        });
        let told = alert["raised_seconds"].as_f64().unwrap() - began;
        assert!(told <= 3.5, "{what}: told after {told:.1} s of stream time");
        assert_eq!(alert["severity"], "warning", "{what}: {alert}");
        assert_eq!(self.daemon.metric(&series), "2", "{what}");
        let up = if condition == "no_data" { "0" } else { "1" };
        assert_eq!(self.daemon.metric("mixwarden_feed_up{feed=\"stream\"}"), up, "{what}");
        let headline = alert["headline"].as_str().unwrap().to_string();
        self.events.until(what, |e| e["state"].as_str().is_some_and(|s| s.contains(&headline)));
        assert_eq!(self.daemon.now()["alerts"].as_array().unwrap().len(), 1, "{what}: one cause, one warning");
        let back = self.seconds();
        mend(self);
        let ended = wait(&format!("{what}: its end"), || {
            let now = self.daemon.now();
            self.never_the_phone(&now);
            let standing = now["alerts"].as_array()?.iter().any(|a| a["condition"] == condition);
            let past = now["past"].as_array()?.iter().rev().find(|a| a["id"] == alert["id"]).cloned();
            past.filter(|_| !standing)
        });
        let over = ended["cleared_seconds"].as_f64().unwrap() - back;
        assert!(over <= 3.0, "{what}: over after {over:.1} s of stream time");
        self.events.until(what, |e| e["mood"] == "calm");
        eprintln!("{what}: told after {told:.1} s, over after {over:.1} s of stream time");
    }
}

/// Two rounds of one fault, on a line of its own: a third within ten minutes would stand longer, as one that comes
/// and goes.
fn twice(what: &str, condition: &str, break_it: fn(&mut Line), mend: fn(&mut Line)) {
    let mut line = Line::new();
    for _ in 0..2 {
        let _phone = line.pulse.play("phone", &[(900, PHONE), (900, PHONE)]);
        line.cycle(what, condition, break_it, mend);
    }
    assert_eq!(line.daemon.stop("TERM").code(), Some(0));
}

#[test]
fn a_player_that_stops_is_told_and_over_in_time() {
    twice("player stopped", "digital_silence", |l| l.player = None, Line::play);
}

#[test]
fn a_muted_mix_is_told_and_over_in_time() {
    twice("sink muted", "digital_silence", |l| mute_desk(l, "1"), |l| mute_desk(l, "0"));
}

#[test]
fn a_source_that_goes_is_told_and_no_other_is_taken_for_it() {
    twice("source removed, another is there", "no_data", unplug, plug);
}

#[test]
fn a_suspended_source_is_told_and_over_in_time() {
    twice("source suspended", "no_data", |l| suspend_desk(l, "1"), |l| suspend_desk(l, "0"));
}

#[test]
fn a_stalled_server_is_told_and_over_in_time() {
    twice("server stalled", "no_data", |l| l.pulse.stall(), |l| l.pulse.resume());
}

#[test]
fn a_killed_server_is_told_and_over_in_time() {
    twice(
        "server killed",
        "no_data",
        |l| l.pulse.kill(),
        |l| {
            l.pulse.restart();
            l.play();
        },
    );
}

fn mute_desk(line: &mut Line, on: &str) {
    line.pulse.pactl(&["set-sink-mute", "desk", on]);
}

fn suspend_desk(line: &mut Line, on: &str) {
    line.pulse.pactl(&["suspend-sink", "desk", on]);
}

/// The desk's cable is pulled: the server offers the telephone instead, as the default.
fn unplug(line: &mut Line) {
    line.pulse.pactl(&["set-default-source", "phone.monitor"]);
    match line.module.take() {
        Some(module) => line.pulse.pactl(&["unload-module", &module]),
        None => {
            let modules = line.pulse.pactl(&["list", "short", "modules"]);
            let desk = modules.lines().find(|l| l.contains("sink_name=desk ")).unwrap();
            line.pulse.pactl(&["unload-module", desk.split_whitespace().next().unwrap()])
        }
    };
}

fn plug(line: &mut Line) {
    line.module = Some(line.pulse.add_sink("desk", 2));
    line.play();
}

#[test]
fn the_default_input_stays_the_one_that_it_was() {
    let mut line = Line::of("default");
    let _phone = line.pulse.play("phone", &[(900, PHONE), (900, PHONE)]);
    line.cycle("default source removed", "no_data", unplug, plug);
    assert!(line.daemon.now()["feeds"][0]["source"].as_str().unwrap().contains("2 channels"));
}

/// The listener's fourth line from now: two seconds on.
fn fourth(listener: &Peer, id: &str) -> Value {
    for _ in 0..3 {
        listener.line(id);
    }
    listener.line(id)
}

#[test]
fn the_audio_callback_allocates_nothing_and_waits_for_nobody() {
    let pulse = Pulse::start(&[("desk", 18)]);
    let tones: Vec<_> = (0..18).map(tone).collect();
    let _player = pulse.play("desk", &tones);
    let id = "pulse:desk.monitor";
    let mut listener = Peer::example("listener", &[id], &pulse.environment());
    let before = fourth(&listener, id);
    // The measuring thread stands still for longer than the ring holds: the callback goes on, and counts.
    listener.say("rest 4");
    let lost = wait("the count of lost frames", || {
        let line = listener.line(id);
        (line["lost_frames"].as_u64()? > 0).then_some(line)
    });
    let calls = |line: &Value| line["callbacks"].as_u64().unwrap();
    assert!(calls(&before) >= 20, "{before}");
    assert!(calls(&lost) >= calls(&before) + 60, "the callback stood still with the reader: {lost}");
    let lost_seconds = lost["lost_frames"].as_f64().unwrap() / 48_000.0;
    assert!((1.0..4.0).contains(&lost_seconds), "4 s of rest, 2 s in the ring, {lost_seconds} s counted as lost");
    let after = fourth(&listener, id);
    assert_eq!(after["allocations_in_callback"], 0);
    assert_eq!(after["lost_frames"], lost["lost_frames"]);
    assert_eq!(after["channels"][17]["tone_hz"], tone(17).0);
}

/// An ALSA device whose sound comes from a FIFO, written by this test at the pace of time.
struct Fifo {
    path: std::path::PathBuf,
    playing: Arc<AtomicBool>,
}

impl Fifo {
    /// Frames in one write: what the program takes in one call, so that no read falls short.
    const FRAMES: usize = 2048;

    /// The line of an ALSA configuration that makes it.
    fn configuration(dir: &Path, name: &str) -> String {
        let file = dir.join(name).display().to_string();
        format!(
            "pcm.{name} {{ type file slave.pcm {{ type null }} file \"/dev/null\" infile \"{file}\" format raw hint {{ show on description \"{name}\" }} }}\n"
        )
    }

    fn start(dir: &Path, name: &str, tone_hz: u32, rms_dbfs: f64) -> Self {
        let path = dir.join(name);
        assert!(Command::new("mkfifo").arg(&path).status().unwrap().success());
        let playing = Arc::new(AtomicBool::new(true));
        let (file, on) = (path.clone(), playing.clone());
        std::thread::spawn(move || {
            let mut frame = 0u32;
            // The program opens and closes it while it looks what devices there are.
            while let Ok(mut pipe) = std::fs::OpenOptions::new().write(true).open(&file) {
                let (began, mut written) = (Instant::now(), 0u64);
                loop {
                    let peak = 10f64.powf(rms_dbfs / 20.0) * std::f64::consts::SQRT_2;
                    let mut bytes = Vec::with_capacity(Self::FRAMES * 8);
                    for _ in 0..Self::FRAMES {
                        let x = peak * (std::f64::consts::TAU * f64::from(frame * tone_hz % 48_000) / 48_000.0).sin();
                        let x = if on.load(Ordering::Relaxed) { x as f32 } else { 0.0 };
                        bytes.extend([x, -x].map(f32::to_le_bytes).concat());
                        frame = (frame + 1) % 48_000;
                    }
                    if pipe.write_all(&bytes).is_err() {
                        break;
                    }
                    written += Self::FRAMES as u64;
                    let due = Duration::from_secs_f64(written as f64 / 48_000.0);
                    std::thread::sleep(due.saturating_sub(began.elapsed()));
                }
            }
        });
        Self { path, playing }
    }
}

impl Drop for Fifo {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.path);
    }
}

#[test]
fn an_alsa_device_and_a_sound_server_serve_two_feeds_at_once() {
    let pulse = Pulse::start(&[("room", 2)]);
    let _room = pulse.play("room", &[(700, -26.0), (700, -29.0)]);
    let dir = tempfile::tempdir().unwrap();
    let conf = dir.path().join("asound.conf");
    std::fs::write(&conf, Fifo::configuration(dir.path(), "desk") + &Fifo::configuration(dir.path(), "spare")).unwrap();
    let desk = Fifo::start(dir.path(), "desk", 400, -20.0);
    let _spare = Fifo::start(dir.path(), "spare", 900, -6.0);
    let mut environment = pulse.environment();
    environment.retain(|(k, _)| k != "ALSA_CONFIG_PATH");
    environment.push(("ALSA_CONFIG_PATH".into(), conf.display().to_string()));
    // Two devices of ALSA, by the program's own source: tone, level, and no allocation on ALSA's callback thread.
    let ids = ["alsa:desk", "alsa:spare"];
    let listener = Peer::example("listener", &ids, &environment);
    for (id, tone, level) in [(ids[0], 400, -20.0), (ids[1], 900, -6.0)] {
        let heard = fourth(&listener, id);
        for channel in heard["channels"].as_array().unwrap() {
            assert_eq!(channel["tone_hz"], tone, "{heard}");
            assert!(near(&channel["rms_dbfs"], level), "{heard}");
        }
        assert_eq!(heard["allocations_in_callback"], 0, "{heard}");
        assert!(heard["callbacks"].as_u64().unwrap() < 1_000, "tiny blocks: {heard}");
    }
    drop(listener);
    let daemon = Daemon::watch(
        "[feed.stream]\ndevice = \"alsa:desk\"\n[feed.house]\ndevice = \"pulse:room.monitor\"\n",
        &environment,
    );
    wait("both feeds", || {
        let feeds = daemon.now()["feeds"].clone();
        let stream = near(&feeds[0]["rms_dbfs"][0], -20.0) && near(&feeds[0]["rms_dbfs"][1], -20.0);
        (stream && near(&feeds[1]["rms_dbfs"][0], -26.0) && near(&feeds[1]["rms_dbfs"][1], -29.0)).then_some(())
    });
    wait("sound that was heard", || (daemon.now()["feeds"][0]["heard"] == true).then_some(()));
    // Left and right are the same sound turned over here; the warning looked for is the one of silence.
    let from = daemon.now()["stream_seconds"].as_f64().unwrap();
    desk.playing.store(false, Ordering::Relaxed);
    let alert = wait("the warning", || {
        daemon.now()["alerts"].as_array()?.iter().find(|a| a["condition"] == "silent_while_house_plays").cloned()
    });
    let told = alert["raised_seconds"].as_f64().unwrap() - from;
    assert!(told <= 5.0, "told after {told} s");
    assert_eq!(daemon.metric("mixwarden_feed_up{feed=\"stream\"}"), "1");
}
