//! A sound card's WAV file: one channel of it as fractions of full scale.

use std::io::{self, Read};

use hound::{SampleFormat, WavIntoSamples, WavSpec};

use super::misread::Misread;
use crate::diagnostic::Code;

/// Reads one channel of a WAV file.
pub struct WavReader<R> {
    spec: WavSpec,
    samples: Samples<R>,
    channel: usize,
    cut_off: u64,
    incomplete: bool,
}

enum Samples<R> {
    Whole(WavIntoSamples<R, i32>),
    Float(WavIntoSamples<R, f32>),
}

impl<R: Read> WavReader<R> {
    /// Reads the header. `channel` counts from 1.
    ///
    /// # Errors
    /// [`Misread`] says what is wrong with the header, or that there is no such channel.
    pub fn new(file: R, channel: usize) -> Result<Self, Misread> {
        let help = "save it as a plain WAV file of 16, 24 or 32 bits";
        let refused = |error| Misread::whole(Code::BadRecording, in_words(error), help);
        let reader = hound::WavReader::new(file).map_err(refused)?;
        let spec = reader.spec();
        if spec.channels == 0 || spec.sample_rate == 0 {
            let message = "this WAV file has no channels, or no sampling rate";
            return Err(Misread::whole(Code::BadRecording, message, help));
        }
        if channel == 0 || channel > usize::from(spec.channels) {
            let message = format!("this WAV file has {} channels, not {channel}", spec.channels);
            return Err(Misread::whole(Code::BadRecording, message, "count from 1: --channel 1"));
        }
        let samples = match spec.sample_format {
            SampleFormat::Int => Samples::Whole(reader.into_samples()),
            SampleFormat::Float => Samples::Float(reader.into_samples()),
        };
        Ok(Self { spec, samples, channel: channel - 1, cut_off: 0, incomplete: false })
    }

    /// Samples per second.
    pub fn rate_hz(&self) -> f64 {
        f64::from(self.spec.sample_rate)
    }

    /// Channels of the file.
    pub fn channels(&self) -> u16 {
        self.spec.channels
    }

    /// Samples so far that stand at either end of the range.
    pub fn cut_off(&self) -> u64 {
        self.cut_off
    }

    /// Whether the file ended before its header says.
    pub fn is_incomplete(&self) -> bool {
        self.incomplete
    }

    /// Adds up to `most` further samples, as fractions of full scale; none are added at the end.
    ///
    /// # Errors
    /// [`Misread`] where the file cannot be read further or holds what is no number.
    pub fn feed(&mut self, most: usize, fractions: &mut Vec<f64>) -> Result<(), Misread> {
        let channels = usize::from(self.spec.channels);
        for _ in 0..most {
            let mut wanted = 0.0;
            for channel in 0..channels {
                let Some(sample) = self.sample()? else { return Ok(()) };
                if channel == self.channel {
                    wanted = sample;
                }
            }
            self.cut_off += u64::from(wanted >= self.largest() || wanted <= -1.0);
            fractions.push(wanted);
        }
        Ok(())
    }

    fn sample(&mut self) -> Result<Option<f64>, Misread> {
        let scale = (1u64 << (self.spec.bits_per_sample.clamp(1, 32) - 1)) as f64;
        let next = match &mut self.samples {
            Samples::Whole(samples) => samples.next().map(|sample| sample.map(|whole| f64::from(whole) / scale)),
            Samples::Float(samples) => samples.next().map(|sample| sample.map(f64::from)),
        };
        match next {
            Some(Ok(sample)) if sample.is_finite() => Ok(Some(sample)),
            Some(Ok(_)) => Err(unreadable("it holds samples that are no numbers".to_owned())),
            None => Ok(None),
            // A recorder that was unplugged never wrote the true length.
            Some(Err(hound::Error::IoError(error)))
                if matches!(error.kind(), io::ErrorKind::UnexpectedEof | io::ErrorKind::Other) =>
            {
                self.incomplete = true;
                Ok(None)
            }
            Some(Err(error)) => Err(unreadable(in_words(error))),
        }
    }

    /// The largest number of the format, as a fraction of full scale.
    fn largest(&self) -> f64 {
        match self.spec.sample_format {
            SampleFormat::Int => 1.0 - 1.0 / (1u64 << (self.spec.bits_per_sample.clamp(1, 32) - 1)) as f64,
            SampleFormat::Float => 1.0,
        }
    }
}

fn unreadable(message: String) -> Misread {
    Misread::whole(Code::BadRecording, message, "record it again, or save it as a plain WAV file")
}

fn in_words(error: hound::Error) -> String {
    match error {
        hound::Error::IoError(error) => format!("this WAV file cannot be read: {error}"),
        hound::Error::FormatError(what) => format!("this is no sound WAV file: {what}"),
        hound::Error::Unsupported => "this kind of WAV file is not known here".to_owned(),
        _ => "this WAV file does not hold what its header says".to_owned(),
    }
}
