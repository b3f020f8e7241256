//! Volts to a WAV file, one channel.

use std::io::{self, Seek, Write};

use hound::{SampleFormat, WavSpec, WavWriter};

/// Sizes in a WAV file are counted in 32 bits; its header takes a few of them.
pub const MOST_BYTES: u64 = u32::MAX as u64 - 100;

/// Bits of a sample.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bits {
    /// 16, whole numbers.
    Sixteen,
    /// 24, whole numbers.
    TwentyFour,
}

impl Bits {
    /// How many.
    pub fn count(self) -> u16 {
        match self {
            Bits::Sixteen => 16,
            Bits::TwentyFour => 24,
        }
    }
}

/// Writes samples in volts, the largest number standing for `full_scale_volts`. Returns how many lay beyond it, and were cut
/// off there.
///
/// # Errors
/// Those of the file, and of more samples than [`MOST_BYTES`] hold.
pub fn write_wav(
    file: impl Write + Seek,
    samples: impl Iterator<Item = f64>,
    rate_hz: u32,
    bits: Bits,
    full_scale_volts: f64,
) -> io::Result<u64> {
    let spec =
        WavSpec { channels: 1, sample_rate: rate_hz, bits_per_sample: bits.count(), sample_format: SampleFormat::Int };
    let mut writer = WavWriter::new(file, spec).map_err(of_file)?;
    let scale = f64::from(1i32 << (bits.count() - 1));
    let mut beyond = 0;
    for volts in samples {
        let number = (volts / full_scale_volts * scale).round();
        let written = number.clamp(-scale, scale - 1.0);
        beyond += u64::from(number != written);
        writer.write_sample(written as i32).map_err(of_file)?;
    }
    writer.finalize().map_err(of_file)?;
    Ok(beyond)
}

fn of_file(error: hound::Error) -> io::Error {
    match error {
        hound::Error::IoError(error) => error,
        other => io::Error::other(other),
    }
}
