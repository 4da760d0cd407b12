//! Sound devices of the system through cpal (ALSA on Linux). The only user of cpal.

use super::Format;
use super::live::{Around, Host, Inlet, Opened, Stream, ring};
use crate::units::SampleRate;
use cpal::traits::{DeviceTrait as _, HostTrait as _, StreamTrait as _};
use cpal::{BufferSize, ErrorKind, SampleFormat, SizedSample, StreamConfig, SupportedBufferSize};
use std::sync::mpsc::{Receiver, Sender, channel};

/// Frames of one call of the audio callback; the system holds twice as many (85 ms at 48 kHz; the largest gap of the
/// callback seen under full load was 43 ms).
const CALL_FRAMES: u32 = 2048;

/// A device of the ALSA host by its PCM name; `None`: its default input.
pub(super) struct Alsa {
    pub(super) pcm: Option<String>,
}

/// An input of the system, for lists.
pub(super) struct Listed {
    pub(super) id: String,
    pub(super) description: String,
    pub(super) channels: usize,
    pub(super) rate_hz: u32,
}

fn host() -> Result<cpal::Host, String> {
    // The library's own lines go into a buffer of this thread; what matters comes back as an error.
    let _ = alsa::Output::local_error_handler();
    cpal::host_from_id(cpal::HostId::Alsa).map_err(|e| format!("ALSA is not to be had: {e}"))
}

/// The name within the host, as ALSA knows it.
fn pcm_name(device: &cpal::Device) -> Option<String> {
    Some(device.id().ok()?.id().to_string())
}

/// The host's inputs.
///
/// # Errors
/// When ALSA is not to be had.
pub(super) fn list() -> Result<Vec<Listed>, String> {
    let devices = host()?.input_devices().map_err(|e| e.to_string())?;
    Ok(devices
        .filter_map(|d| {
            // ALSA's "null" makes zeros and hears nothing: a feed on it would be silent for ever.
            let id = pcm_name(&d).filter(|name| name != "null")?;
            let config = d.default_input_config().ok()?;
            Some(Listed {
                id,
                description: d.description().map_or_else(|_| String::new(), |d| d.name().to_string()),
                channels: usize::from(config.channels()),
                rate_hz: config.sample_rate(),
            })
        })
        .collect())
}

struct Playing {
    _stream: cpal::Stream,
    errors: Receiver<String>,
}

impl Host for Alsa {
    fn wanted(&self) -> String {
        match &self.pcm {
            Some(name) => format!("sound device {name}"),
            None => "the computer's default sound device".into(),
        }
    }

    fn open(&self, around: Around) -> Result<Opened, String> {
        let host = host()?;
        let device = match &self.pcm {
            None => host.default_input_device().ok_or("there is none")?,
            Some(name) => host
                .input_devices()
                .map_err(|e| e.to_string())?
                .find(|d| pcm_name(d).as_ref() == Some(name))
                .ok_or("it is not there")?,
        };
        let supported = device.default_input_config().map_err(|e| e.to_string())?;
        let rate = SampleRate::new(supported.sample_rate()).map_err(|e| e.to_string())?;
        let format = Format { rate, channels: usize::from(supported.channels()) };
        // A device's own choice may be one frame a call, or ten seconds.
        let buffer_size = match *supported.buffer_size() {
            SupportedBufferSize::Range { min, max } => BufferSize::Fixed(CALL_FRAMES.clamp(min, max)),
            SupportedBufferSize::Unknown => BufferSize::Default,
        };
        let config = StreamConfig { buffer_size, ..supported.config() };
        let (inlet, outlet) = ring(format, around);
        let (tell, errors) = channel();
        let stream = match supported.sample_format() {
            SampleFormat::I16 => build::<i16>(&device, config, inlet, tell, |x| f32::from(x) / 32_768.0),
            SampleFormat::I32 => build::<i32>(&device, config, inlet, tell, |x| x as f32 / 2_147_483_648.0),
            SampleFormat::F32 => build::<f32>(&device, config, inlet, tell, |x| x),
            SampleFormat::U8 => build::<u8>(&device, config, inlet, tell, |x| (f32::from(x) - 128.0) / 128.0),
            other => {
                Err(format!("it delivers {other} samples; 16 or 32-bit integers or floats can be read (try plughw:)"))
            }
        }?;
        stream.play().map_err(|e| e.to_string())?;
        let name = device.description().map_or_else(|_| self.wanted(), |d| d.name().to_string());
        Ok(Opened { format, outlet, name, stream: Box::new(Playing { _stream: stream, errors }) })
    }
}

fn build<T: SizedSample + Copy + Send + 'static>(
    device: &cpal::Device,
    config: StreamConfig,
    mut inlet: Inlet,
    tell: Sender<String>,
    scale: fn(T) -> f32,
) -> Result<cpal::Stream, String> {
    let channels = usize::from(config.channels);
    let mut told = false;
    device
        .build_input_stream(
            config,
            move |data: &[T], _| inlet.take(data.len() / channels, |i| scale(data[i])),
            move |e| {
                // Overruns show as missing frames; a repeated error is told once (some come thousands a second).
                let harmless =
                    matches!(e.kind(), ErrorKind::Xrun | ErrorKind::RealtimeDenied | ErrorKind::DeviceChanged);
                if !harmless && !told {
                    told = true;
                    let _ = tell.send(e.to_string());
                }
            },
            None,
        )
        .map_err(|e| e.to_string())
}

impl Stream for Playing {
    fn check(&mut self) -> Result<(), String> {
        self.errors.try_recv().map_or(Ok(()), Err)
    }
}
