//! One synthesised service, judged live (flat out, with the log) and by `measure` from its recording: the same samples
//! reach both, so every figure and every alert must be the same.

use mixwarden::feed::{Arrival, Block, FeedPatch, Mark, Role};
use mixwarden::run::{self, LanePlan, Plan};
use mixwarden::settings::Settings;
use mixwarden::source::file::Pace;
use mixwarden::source::rehearsal::script::{FaultKind, Script, ScriptedFault};
use mixwarden::source::rehearsal::{CHANNELS, Rehearsal};
use mixwarden::source::{Polled, Source};
use mixwarden::units::SampleRate;
use serde_json::Value;
use std::fs::File;
use std::io::{BufWriter, Seek as _, SeekFrom, Write as _};
use std::path::Path;
use std::process::Command;

/// The gathering again and again, with its faults; but for the device that goes away, which no recording holds.
fn script(seconds: f64) -> Script {
    let one = Script::gathering();
    let again = |n: usize| {
        one.faults.iter().map(move |f| ScriptedFault { at_seconds: f.at_seconds + n as f64 * one.seconds, ..*f })
    };
    let rounds = (seconds / one.seconds).ceil() as usize;
    let faults = (0..rounds).flat_map(again).filter(|f| f.kind != FaultKind::Gone).collect();
    Script { seconds, faults, ..Script::gathering() }
}

/// The rehearsal on the grid of 16 bits, written to a WAV file as it is delivered; the service spans it exactly.
struct Recorded {
    inner: Rehearsal,
    file: BufWriter<File>,
    bytes: u64,
    begun: bool,
    over: bool,
    grid: Vec<f32>,
}

impl Recorded {
    fn new(inner: Rehearsal, path: &Path) -> Self {
        let mut file = BufWriter::with_capacity(1 << 20, File::create(path).unwrap());
        file.write_all(&[0; 44]).unwrap();
        Self { inner, file, bytes: 0, begun: false, over: false, grid: Vec::new() }
    }

    fn header(&mut self) {
        let (bytes, frame, hz) = (u32::try_from(self.bytes).unwrap(), CHANNELS as u16 * 2, 48_000u32);
        let mut head = Vec::from(*b"RIFF");
        head.extend((36 + bytes).to_le_bytes());
        head.extend(b"WAVEfmt \x10\0\0\0\x01\0");
        head.extend((CHANNELS as u16).to_le_bytes());
        head.extend(hz.to_le_bytes());
        head.extend((hz * u32::from(frame)).to_le_bytes());
        head.extend(frame.to_le_bytes());
        head.extend(b"\x10\0data");
        head.extend(bytes.to_le_bytes());
        self.file.seek(SeekFrom::Start(0)).unwrap();
        self.file.write_all(&head).unwrap();
        self.file.flush().unwrap();
    }
}

impl Source for Recorded {
    fn poll(&mut self, sink: &mut dyn FnMut(Arrival<'_>)) -> Polled {
        let Self { inner, file, bytes, begun, grid, .. } = self;
        let polled = inner.poll(&mut |arrival| {
            let Arrival::Block(block) = arrival else { panic!("{arrival:?}") };
            if !std::mem::replace(begun, true) {
                sink(Arrival::Mark(Mark::ServiceBegin));
            }
            grid.clear();
            for x in block.samples {
                let whole = (x * 32_768.0).round().clamp(-32_768.0, 32_767.0);
                grid.push(whole / 32_768.0);
                file.write_all(&(whole as i16).to_le_bytes()).unwrap();
            }
            *bytes += grid.len() as u64 * 2;
            sink(Arrival::Block(Block { samples: grid }));
        });
        if polled == Polled::Ended && !std::mem::replace(&mut self.over, true) {
            self.header();
            sink(Arrival::Mark(Mark::ServiceEnd));
            return Polled::Gave { frames: 0 };
        }
        polled
    }

    fn describe(&self) -> String {
        self.inner.describe()
    }

    fn paced(&self) -> bool {
        false
    }
}

fn json(command: &mut Command) -> Value {
    let out = command.output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    serde_json::from_slice(&out.stdout).unwrap()
}

/// What was told: feed, condition, severity, when it was raised and when it was over (hundredths of a second).
type Told = (String, String, String, i64, Option<i64>);

fn told(alert: &Value, cleared: Option<f64>) -> Told {
    let text = |key: &str| alert[key].as_str().unwrap().to_string();
    let hundredths = |s: f64| (s * 100.0).round() as i64;
    let raised = hundredths(alert["raised_s"].as_f64().unwrap());
    (text("feed"), text("condition"), text("severity"), raised, cleared.map(hundredths))
}

/// Judges a service of so many seconds twice in `dir`, which then holds its log in `state`; gives how much was told.
pub fn compare(seconds: f64, dir: &Path, mixwarden: &Path) -> usize {
    let (wav, state) = (dir.join("service.wav"), dir.join("state"));
    let rate = SampleRate::HZ_48000;
    let source = Recorded::new(Rehearsal::new(script(seconds), rate, 7, Pace::FlatOut), &wav);
    let feeds = vec![FeedPatch::new("stream", Role::Stream, &[0, 1]), FeedPatch::new("house", Role::House, &[2, 3])];
    run::run(Plan {
        settings: Settings::default(),
        settings_file: None,
        settings_text: String::new(),
        state: state.clone(),
        listen: ([127, 0, 0, 1], 0).into(),
        lanes: vec![LanePlan { source: Box::new(source), feeds, rate }],
        rehearsal: true,
    })
    .unwrap();
    let review = json(Command::new(mixwarden).args(["review", "last", "--json", "--state"]).arg(&state));
    let measured = json(
        Command::new(mixwarden)
            .args(["measure", "--json", "--alerts", "--feed", "stream=1,2", "--feed", "house=3,4"])
            .arg(&wav),
    );
    std::fs::remove_file(&wav).unwrap();
    let stream = &measured["files"][0];
    assert!((stream["duration_s"].as_f64().unwrap() - seconds).abs() < 1e-9);
    let house = stream["feeds"].as_array().unwrap().iter().find(|f| f["feed"] == "house").unwrap();
    for (live, file) in [(&review["feeds"][0], stream), (&review["feeds"][1], house)] {
        assert_eq!(live["figures_from_log"], false, "the meter's own figures");
        for key in ["integrated_lufs", "loudness_range_lu", "max_momentary_lufs", "max_short_term_lufs"] {
            assert!(
                live[key].is_f64() && live[key] == file[key],
                "{}, {key}: {} live, {} from the file",
                live["feed"],
                live[key],
                file[key]
            );
        }
        let peaks =
            file["true_peak_dbtp"].as_array().unwrap().iter().filter_map(Value::as_f64).fold(f64::MIN, f64::max);
        assert_eq!(live["true_peak_dbtp"].as_f64().unwrap(), peaks, "{}", live["feed"]);
    }
    let ends = |a: &Value| a["seconds"].as_f64().map(|s| a["began_s"].as_f64().unwrap() + s);
    let mut live: Vec<Told> = review["alerts"].as_array().unwrap().iter().map(|a| told(a, ends(a))).collect();
    let of = |f: &Value| {
        f["alerts"].as_array().unwrap().iter().map(|a| told(a, a["cleared_s"].as_f64())).collect::<Vec<_>>()
    };
    let mut file: Vec<Told> = [of(stream), of(house)].concat();
    live.sort();
    file.sort();
    let only = |a: &[Told], b: &[Told]| a.iter().filter(|t| !b.contains(t)).cloned().collect::<Vec<_>>();
    assert_eq!((only(&live, &file), only(&file, &live)), (vec![], vec![]), "told live alone, told from the file alone");
    println!(
        "{seconds:.0} s: {} alerts and every figure the same; integrated {} LUFS",
        live.len(),
        stream["integrated_lufs"]
    );
    live.len()
}
