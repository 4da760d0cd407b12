//! Kept moments as FLAC files in a folder of their own, for the daemon's user alone. Written by a thread of its own:
//! a disk that does not keep up loses moments, which is counted and said, and holds up nothing else.

use crate::ledger::moment::{KeptMoment, Moment, Moments};
use crate::ledger::shelf::ShelfError;
use flac_codec::encode::{FlacSampleWriter, Options};
use std::fs::{DirBuilder, File};
use std::io::{BufWriter, ErrorKind};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, SystemTime};

/// Moments on their way to the disk: some 6 MB of memory each.
const QUEUE: usize = 3;
/// Old moments are looked for this often.
const THIN_EVERY: Duration = Duration::from_secs(1_800);
/// Bits of a sample: what converters deliver.
const BITS: u32 = 24;
const DAY_MS: i64 = 86_400_000;

/// When moments are deleted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MomentLimits {
    /// After so many days.
    pub days: u32,
    /// Beyond this size of all, MB (10^6 bytes); the oldest first.
    pub megabytes: u32,
}

#[derive(Debug, Default)]
struct Status {
    fault: Option<String>,
    lost: u64,
}

fn status(status: &Mutex<Status>) -> MutexGuard<'_, Status> {
    status.lock().unwrap_or_else(PoisonError::into_inner)
}

enum Message {
    Moment(Box<Moment>),
    Limits(MomentLimits),
}

/// The daemon's end: hands moments to the thread that writes them.
#[derive(Debug)]
pub struct Keeper {
    queue: Option<SyncSender<Message>>,
    status: Arc<Mutex<Status>>,
    thread: Option<JoinHandle<()>>,
}

impl Keeper {
    /// Starts the thread. It makes no folder before there is a moment, but deletes old ones in any case.
    ///
    /// # Errors
    /// When no thread can be had.
    pub fn start(state: &Path, limits: MomentLimits) -> std::io::Result<Self> {
        let (queue, messages) = sync_channel(QUEUE);
        let shared = Arc::new(Mutex::new(Status::default()));
        let (album, told) = (Album::new(state), shared.clone());
        let thread =
            std::thread::Builder::new().name("moments".into()).spawn(move || work(&album, limits, &messages, &told))?;
        Ok(Self { queue: Some(queue), status: shared, thread: Some(thread) })
    }

    /// Hands one over; never waits.
    pub fn take(&self, moment: Moment) {
        let sent = self.queue.as_ref().is_some_and(|q| q.try_send(Message::Moment(Box::new(moment))).is_ok());
        if !sent {
            self.lose();
        }
    }

    /// One is lost before it came here.
    pub fn lose(&self) {
        let mut status = status(&self.status);
        status.lost += 1;
        status.fault.get_or_insert_with(|| "the disk does not keep up".into());
    }

    /// Other limits hold from now on.
    pub fn limits(&self, limits: MomentLimits) {
        if let Some(queue) = &self.queue {
            let _ = queue.try_send(Message::Limits(limits));
        }
    }

    /// What ails it now, one sentence.
    pub fn fault(&self) -> Option<String> {
        let status = status(&self.status);
        let lost = status.lost;
        status.fault.as_ref().map(|f| {
            format!(
                "The sound around a warning could not be kept: {f}. Listening and warning go on. {lost} lost so far."
            )
        })
    }

    /// Writes what is left, ends the thread.
    pub fn close(&mut self) {
        self.queue = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn work(album: &Album, mut limits: MomentLimits, messages: &Receiver<Message>, shared: &Mutex<Status>) {
    album.sweep();
    loop {
        if let Err(e) = album.thin(limits, now_ms()) {
            tracing::warn!("old moments: {e}");
        }
        match messages.recv_timeout(THIN_EVERY) {
            Ok(Message::Moment(moment)) => {
                let written = album.write(&moment);
                let mut status = status(shared);
                status.lost += u64::from(written.is_err());
                status.fault = written.err();
            }
            Ok(Message::Limits(fresh)) => limits = fresh,
            Err(RecvTimeoutError::Timeout) => {}
            Err(RecvTimeoutError::Disconnected) => return,
        }
    }
}

/// Wall time, ms since 1970.
fn now_ms() -> i64 {
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap_or_default();
    since.as_millis() as i64
}

/// The folder of moments in a state directory.
#[derive(Debug, Clone)]
pub struct Album {
    folder: PathBuf,
}

impl Album {
    /// The folder `moments` of `state`; it need not be there.
    pub fn new(state: &Path) -> Self {
        Self { folder: state.join("moments") }
    }

    fn file(&self, moment: &KeptMoment) -> PathBuf {
        self.folder.join(format!("{}.flac", moment.name()))
    }

    fn write(&self, moment: &Moment) -> Result<(), String> {
        let whole = self.file(&moment.kept);
        let part = whole.with_extension("part");
        let written = self.encode(moment, &part).and_then(|()| Ok(std::fs::rename(&part, &whole)?));
        if written.is_err() {
            let _ = std::fs::remove_file(&part);
        }
        written.map_err(|e| format!("{}: {e}", whole.display()))
    }

    fn encode(&self, moment: &Moment, part: &Path) -> Result<(), flac_codec::Error> {
        DirBuilder::new().recursive(true).mode(0o700).create(&self.folder)?;
        let file = File::options().create(true).truncate(true).write(true).mode(0o600).open(part)?;
        let options = Options::default().tag("TITLE", &moment.kept.condition).no_padding();
        let channels = moment.channels as u8;
        let mut writer = FlacSampleWriter::new(BufWriter::new(file), options, moment.rate_hz, BITS, channels, None)?;
        let full = f64::from((1u32 << (BITS - 1)) - 1);
        let whole = |x: &f32| (f64::from(*x).clamp(-1.0, 1.0) * full).round() as i32;
        for samples in moment.samples.chunks(moment.channels * 8_192) {
            writer.write(&samples.iter().map(whole).collect::<Vec<_>>())?;
        }
        writer.finalize()
    }

    /// Removes what a killed daemon left half written.
    fn sweep(&self) {
        let Ok(files) = std::fs::read_dir(&self.folder) else { return };
        for file in files.flatten().filter(|f| f.path().extension().is_some_and(|e| e == "part")) {
            let _ = std::fs::remove_file(file.path());
        }
    }

    fn thin(&self, limits: MomentLimits, now_ms: i64) -> Result<(), ShelfError> {
        let kept = self.list()?;
        let size = |m: &KeptMoment| std::fs::metadata(self.file(m)).map_or(0, |d| d.len());
        let mut bytes: u64 = kept.iter().map(size).sum();
        let (most, oldest) = (u64::from(limits.megabytes) * 1_000_000, now_ms - i64::from(limits.days) * DAY_MS);
        for moment in &kept {
            if moment.unix_ms >= oldest && bytes <= most {
                break;
            }
            bytes -= size(moment).min(bytes);
            self.delete(moment)?;
        }
        Ok(())
    }

    fn said<T>(path: &Path, done: std::io::Result<T>) -> Result<Option<T>, ShelfError> {
        match done {
            Ok(done) => Ok(Some(done)),
            Err(e) if e.kind() == ErrorKind::NotFound => Ok(None),
            Err(e) => Err(ShelfError(format!("{}: {e}", path.display()))),
        }
    }
}

impl Moments for Album {
    fn list(&self) -> Result<Vec<KeptMoment>, ShelfError> {
        let Some(files) = Self::said(&self.folder, std::fs::read_dir(&self.folder))? else { return Ok(Vec::new()) };
        let name = |f: std::fs::DirEntry| Some(f.file_name().to_str()?.strip_suffix(".flac")?.to_string());
        let mut kept: Vec<_> = files.flatten().filter_map(name).filter_map(|n| KeptMoment::named(&n)).collect();
        kept.sort();
        Ok(kept)
    }

    fn flac(&self, moment: &KeptMoment) -> Result<Option<Vec<u8>>, ShelfError> {
        let file = self.file(moment);
        Self::said(&file, std::fs::read(&file))
    }

    fn delete(&self, moment: &KeptMoment) -> Result<bool, ShelfError> {
        let file = self.file(moment);
        Ok(Self::said(&file, std::fs::remove_file(&file))?.is_some())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt as _;

    const NOW_MS: i64 = 1_800_000_000_000;

    /// One second of a stereo ramp that a packer cannot shrink away.
    fn moment(alert: u64, days_old: i64) -> Moment {
        let noise = |n: u32| (n.wrapping_mul(2_654_435_761) >> 8) as f32 / (1u32 << 24) as f32 - 0.5;
        Moment {
            kept: KeptMoment { unix_ms: NOW_MS - days_old * DAY_MS, alert, condition: "clipping".into() },
            rate_hz: 48_000,
            channels: 2,
            samples: (0..96_000).map(noise).collect(),
        }
    }

    #[test]
    fn a_moment_is_private_and_comes_back_to_24_bits() {
        let state = tempfile::tempdir().unwrap();
        let album = Album::new(state.path());
        assert_eq!(album.list().unwrap(), [], "no folder, no moments");
        let one = moment(3, 0);
        album.write(&one).unwrap();
        let mode = |p: &Path| std::fs::metadata(p).unwrap().permissions().mode() & 0o777;
        assert_eq!((mode(&album.folder), mode(&album.file(&one.kept))), (0o700, 0o600));
        let bytes = album.flac(&one.kept).unwrap().unwrap();
        let mut reader = flac_codec::decode::FlacSampleReader::new(std::io::Cursor::new(bytes)).unwrap();
        let mut back = vec![0i32; one.samples.len()];
        let mut at = 0;
        while let Ok(n @ 1..) = reader.read(&mut back[at..]) {
            at += n;
        }
        assert_eq!(at, one.samples.len());
        let worst = one.samples.iter().zip(&back).map(|(a, b)| (f64::from(*a) * 8_388_607.0 - f64::from(*b)).abs());
        assert!(worst.fold(0.0, f64::max) <= 0.501);
        assert!(album.delete(&one.kept).unwrap() && !album.delete(&one.kept).unwrap());
        assert_eq!(album.flac(&one.kept).unwrap(), None);
    }

    #[test]
    fn the_oldest_go_by_days_and_by_size_and_halves_are_swept() {
        let state = tempfile::tempdir().unwrap();
        let album = Album::new(state.path());
        for (alert, days_old) in [(1, 40), (2, 3), (3, 2), (4, 1), (5, 0)] {
            album.write(&moment(alert, days_old)).unwrap();
        }
        let numbers = || album.list().unwrap().iter().map(|m| m.alert).collect::<Vec<_>>();
        album.thin(MomentLimits { days: 14, megabytes: 100 }, NOW_MS).unwrap();
        assert_eq!(numbers(), [2, 3, 4, 5]);
        let one = std::fs::metadata(album.file(&moment(5, 0).kept)).unwrap().len();
        assert!((250_000..400_000).contains(&one), "{one} bytes");
        album.thin(MomentLimits { days: 14, megabytes: 1 }, NOW_MS).unwrap();
        assert_eq!(numbers(), if one * 3 <= 1_000_000 { vec![3, 4, 5] } else { vec![4, 5] });
        std::fs::write(album.folder.join("9-1-clipping.part"), b"half").unwrap();
        album.sweep();
        assert!(!album.folder.join("9-1-clipping.part").exists() && numbers().ends_with(&[4, 5]));
    }

    #[test]
    fn a_disk_that_does_not_keep_up_loses_moments_and_holds_up_nobody() {
        let (queue, _not_read) = sync_channel(QUEUE);
        let keeper = Keeper { queue: Some(queue), status: Arc::default(), thread: None };
        for alert in 0..QUEUE as u64 {
            keeper.take(moment(alert, 0));
            assert_eq!(keeper.fault(), None);
        }
        keeper.take(moment(8, 0));
        keeper.take(moment(9, 0));
        let said = keeper.fault().unwrap();
        assert!(said.contains("does not keep up") && said.contains("2 lost so far"), "{said}");
    }

    #[test]
    fn a_folder_that_cannot_be_written_loses_the_moment_and_is_said() {
        let state = tempfile::tempdir().unwrap();
        std::fs::write(state.path().join("moments"), b"in the way").unwrap();
        let mut keeper = Keeper::start(state.path(), MomentLimits { days: 14, megabytes: 100 }).unwrap();
        keeper.take(moment(1, 0));
        keeper.close();
        let said = keeper.fault().unwrap();
        assert!(said.contains("could not be kept") && said.contains("1 lost so far"), "{said}");
    }
}
