//! Fifty faults of a real sound server under one daemon (or as many as the first argument says): when each was told
//! and over, and what it left behind in threads and memory.
#![allow(clippy::unwrap_used)] // a bench may fall where it stands

#[path = "../tests/booth/mod.rs"]
mod booth;

use booth::pulse::{Player, Pulse};
use booth::{Daemon, status_of, wait};

struct Line {
    pulse: Pulse,
    player: Option<Player>,
    module: Option<String>,
}

impl Line {
    fn play(&mut self) {
        self.player = Some(self.pulse.play("desk", &[(400, -20.0), (500, -20.0)]));
    }

    fn begin(&mut self, kind: usize) -> &'static str {
        match kind {
            0 => {
                self.player = None;
                "player stopped"
            }
            1 => {
                self.pulse.pactl(&["set-sink-mute", "desk", "1"]);
                "sink muted"
            }
            2 => {
                let modules = self.pulse.pactl(&["list", "short", "modules"]);
                let desk = modules.lines().find(|l| l.contains("sink_name=desk ")).unwrap();
                let number = self.module.take().unwrap_or_else(|| desk.split_whitespace().next().unwrap().into());
                self.pulse.pactl(&["unload-module", &number]);
                "source replaced"
            }
            3 => {
                self.pulse.stall();
                "server stalled"
            }
            _ => {
                self.pulse.kill();
                "server killed"
            }
        }
    }

    fn end(&mut self, kind: usize) {
        match kind {
            0 => self.play(),
            1 => drop(self.pulse.pactl(&["set-sink-mute", "desk", "0"])),
            2 => {
                self.module = Some(self.pulse.add_sink("desk", 2));
                self.play();
            }
            3 => self.pulse.resume(),
            _ => {
                self.pulse.restart();
                self.module = None;
                self.play();
            }
        }
    }
}

fn main() {
    let cycles: usize = std::env::args().find_map(|a| a.parse().ok()).unwrap_or(50);
    let pulse = Pulse::start(&[("desk", 2), ("phone", 2)]);
    let daemon = Daemon::watch(
        // The desk plays tones here: what is told of tones is not looked for.
        "[feed.stream]\ndevice = \"pulse:desk.monitor\"\n[judge.tone_left_on]\nenabled = false\n\
         [judge.howl]\nenabled = false\n[judge.steady_noise]\nenabled = false\n[judge.repeats]\nenabled = false\n",
        &pulse.environment(),
    );
    let mut line = Line { pulse, player: None, module: None };
    line.play();
    let signal = || daemon.now()["feeds"][0]["signal"].as_str().unwrap().to_string();
    let seconds = || daemon.now()["stream_seconds"].as_f64().unwrap();
    wait("sound", || (daemon.now()["feeds"][0]["heard"] == true && signal() == "sound").then_some(()));
    let mut early = (0, 0);
    let (mut slowest, mut slowest_over) = (0.0f64, 0.0f64);
    for cycle in 0..cycles {
        let kind = cycle % 5;
        let _phone = line.pulse.play("phone", &[(900, -6.0), (900, -6.0)]);
        std::thread::sleep(std::time::Duration::from_secs(1));
        let began = seconds();
        let what = line.begin(kind);
        // From the third time on it is one that comes and goes, and its warning stands on by design: the signal tells.
        wait(&format!("{what}: the warning"), || {
            let warned = daemon.now()["mood"] == "warning";
            let wanted = if kind < 2 { "digital_silence" } else { "no_data" };
            (warned && signal() == wanted).then_some(())
        });
        let told = seconds() - began;
        let back = seconds();
        line.end(kind);
        wait(&format!("{what}: sound again"), || (signal() == "sound").then_some(()));
        let over = seconds() - back;
        (slowest, slowest_over) = (slowest.max(told), slowest_over.max(over));
        let (threads, resident) = (status_of(daemon.id(), "Threads"), status_of(daemon.id(), "VmRSS"));
        if cycle == 4 {
            early = (threads, resident);
        }
        println!(
            "{:3} {what:16} told {told:4.1} s, sound again {over:4.1} s; {threads} threads, {resident} KiB",
            cycle + 1
        );
    }
    let peak = daemon.now()["feeds"][0]["max_true_peak_dbtp"].as_f64().unwrap();
    println!(
        "slowest: told {slowest:.1} s, sound again {slowest_over:.1} s; highest peak judged {peak:.1} dBTP (desk -17, other source -3)"
    );
    let (threads, resident) = (status_of(daemon.id(), "Threads"), status_of(daemon.id(), "VmRSS"));
    println!("threads {} -> {threads}, resident {} -> {resident} KiB", early.0, early.1);
    assert!(slowest <= 3.5 && slowest_over <= 3.0 && peak < -14.0 && threads <= early.0);
}
