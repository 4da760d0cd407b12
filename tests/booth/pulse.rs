//! A real PulseAudio server on a socket of its own, with null sinks as desks; started and ended by the test.

use super::{signal, wait};
use std::io::Write as _;
use std::process::{Child, Command, Stdio};

/// The server. It ends with its owner.
pub struct Pulse {
    dir: tempfile::TempDir,
    child: Child,
    /// The null sinks that it starts with: name, channels.
    sinks: Vec<(String, usize)>,
}

/// Channel map of a desk: AUX positions, as multichannel interfaces have; one and two channels as usual.
fn map(channels: usize) -> String {
    match channels {
        1 => "mono".into(),
        2 => "front-left,front-right".into(),
        n => (0..n).map(|i| format!("aux{i}")).collect::<Vec<_>>().join(","),
    }
}

impl Pulse {
    /// A server with one null sink for each name and number of channels.
    pub fn start(sinks: &[(&str, usize)]) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let sinks: Vec<(String, usize)> = sinks.iter().map(|(n, c)| ((*n).to_string(), *c)).collect();
        let child = Self::spawn(&dir, &sinks);
        let pulse = Self { dir, child, sinks };
        pulse.ready();
        pulse
    }

    fn spawn(dir: &tempfile::TempDir, sinks: &[(String, usize)]) -> Child {
        let run = dir.path().display().to_string();
        let mut command = Command::new("pulseaudio");
        command.args(["-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "--realtime=no"]);
        command.args(["--high-priority=no", "--disable-shm=yes", "--log-level=error"]);
        command.args(["-L", &format!("module-native-protocol-unix auth-anonymous=1 socket={run}/native")]);
        for (name, channels) in sinks {
            command.args(["-L", &Self::sink_module(name, *channels)]);
        }
        command.envs(environment(&run)).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
        command.spawn().unwrap_or_else(|e| panic!("pulseaudio: {e}"))
    }

    fn sink_module(name: &str, channels: usize) -> String {
        let map = map(channels);
        format!(
            "module-null-sink sink_name={name} rate=48000 channels={channels} channel_map={map} format=float32le norewinds=1"
        )
    }

    fn ready(&self) {
        wait("the sound server", || {
            let out = self.command("pactl").args(["list", "short", "sinks"]).output().unwrap();
            let text = String::from_utf8_lossy(&out.stdout).into_owned();
            (out.status.success() && self.sinks.iter().all(|(name, _)| text.contains(name))).then_some(())
        });
    }

    /// Variables with which a program finds this server.
    pub fn environment(&self) -> Vec<(String, String)> {
        environment(&self.dir.path().display().to_string())
    }

    fn command(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        command.envs(self.environment()).stderr(Stdio::null());
        command
    }

    /// Runs `pactl`; gives what it printed.
    pub fn pactl(&self, args: &[&str]) -> String {
        let out = self.command("pactl").args(args).output().unwrap();
        assert!(out.status.success(), "pactl {args:?}");
        String::from_utf8_lossy(&out.stdout).trim().to_string()
    }

    /// Adds a null sink; gives the number of its module.
    pub fn add_sink(&self, name: &str, channels: usize) -> String {
        let module = Self::sink_module(name, channels);
        let mut words = module.split(' ');
        let mut args = vec!["load-module", words.next().unwrap()];
        args.extend(words);
        self.pactl(&args)
    }

    /// Plays tones to a sink without end: for each channel its frequency (a whole number, Hz) and level (dBFS RMS).
    pub fn play(&self, sink: &str, tones: &[(u32, f64)]) -> Player {
        // One second: whole periods, so that it can be repeated without a seam.
        let mut second = Vec::with_capacity(48_000 * tones.len());
        for frame in 0..48_000u32 {
            for (hz, rms_dbfs) in tones {
                let peak = 10f64.powf(rms_dbfs / 20.0) * std::f64::consts::SQRT_2;
                let x = peak * (std::f64::consts::TAU * f64::from(hz * frame % 48_000) / 48_000.0).sin();
                second.push(x as f32);
            }
        }
        self.repeat(sink, tones.len(), &second)
    }

    /// Plays interleaved samples to a sink, over and over.
    pub fn repeat(&self, sink: &str, n: usize, samples: &[f32]) -> Player {
        let bytes: Vec<u8> = samples.iter().flat_map(|x| x.to_le_bytes()).collect();
        let mut child = self
            .command("pacat")
            .args(["--playback", "--raw", "--format=float32le", "--rate=48000", "--latency-msec=60"])
            .args([&format!("--channels={n}"), &format!("--channel-map={}", map(n)), &format!("--device={sink}")])
            .args(["--no-remap", "--no-remix"])
            .stdin(Stdio::piped())
            .spawn()
            .unwrap();
        let mut pipe = child.stdin.take().unwrap();
        std::thread::spawn(move || while pipe.write_all(&bytes).is_ok() {});
        Player(child)
    }

    /// Kills the server as a crash would.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Starts it again with the sinks that it began with.
    pub fn restart(&mut self) {
        let _ = std::fs::remove_file(self.dir.path().join("native"));
        self.child = Self::spawn(&self.dir, &self.sinks);
        self.ready();
    }

    /// Holds it still, as a stalled driver would.
    pub fn stall(&self) {
        signal(self.child.id(), "STOP");
    }

    /// Lets it go on.
    pub fn resume(&self) {
        signal(self.child.id(), "CONT");
    }

    /// Its clients now.
    pub fn clients(&self) -> usize {
        self.pactl(&["list", "short", "clients"]).lines().filter(|l| l.contains("mixwarden")).count()
    }
}

fn environment(run: &str) -> Vec<(String, String)> {
    [
        ("HOME", run.to_string()),
        ("XDG_RUNTIME_DIR", run.to_string()),
        ("XDG_CONFIG_HOME", run.to_string()),
        ("PULSE_RUNTIME_PATH", run.to_string()),
        ("PULSE_STATE_PATH", format!("{run}/state")),
        ("PULSE_SERVER", format!("unix:{run}/native")),
        // No other machine's sound system, and no card of this one.
        ("ALSA_CONFIG_PATH", format!("{run}/asound.conf")),
    ]
    .map(|(k, v)| (k.to_string(), v))
    .to_vec()
}

impl Drop for Pulse {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A player. It stops with its owner.
pub struct Player(Child);

impl Drop for Player {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
