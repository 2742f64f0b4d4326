//! A reader of WAV files that has nothing to do with the writer.

use std::fs::File;
use std::path::Path;

use symphonia::core::audio::{AudioBufferRef, Signal};
use symphonia::core::codecs::DecoderOptions;
use symphonia::core::errors::Error::IoError;
use symphonia::core::io::MediaSourceStream;
use symphonia::core::probe::Hint;

/// What symphonia reads: rate, channels.
pub fn decoded(path: &Path) -> (u32, Vec<Vec<f32>>) {
    let stream = MediaSourceStream::new(Box::new(File::open(path).unwrap()), Default::default());
    let probed = symphonia::default::get_probe()
        .format(&Hint::new(), stream, &Default::default(), &Default::default())
        .expect("a WAV file");
    let mut format = probed.format;
    let track = format.default_track().unwrap().clone();
    let mut decoder = symphonia::default::get_codecs().make(&track.codec_params, &DecoderOptions::default()).unwrap();
    let rate = track.codec_params.sample_rate.unwrap();
    let mut channels = vec![Vec::new(); track.codec_params.channels.unwrap().count()];
    loop {
        match format.next_packet() {
            Ok(packet) => match decoder.decode(&packet).unwrap() {
                AudioBufferRef::F32(buffer) => {
                    for (n, channel) in channels.iter_mut().enumerate() {
                        channel.extend_from_slice(buffer.chan(n));
                    }
                }
                _ => panic!("32-bit float was written"),
            },
            Err(IoError(_)) => return (rate, channels),
            Err(why) => panic!("{why}"),
        }
    }
}
