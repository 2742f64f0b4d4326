//! A reader of WAV files that has nothing to do with the writer.

use std::fs::File;
use std::path::Path;

use symphonia::core::audio::GenericAudioBufferRef;
use symphonia::core::formats::TrackType;
use symphonia::core::formats::probe::Hint;
use symphonia::core::io::MediaSourceStream;

/// What symphonia reads: rate, channels.
pub fn decoded(path: &Path) -> (u32, Vec<Vec<f32>>) {
    let stream = MediaSourceStream::new(Box::new(File::open(path).unwrap()), Default::default());
    let mut format = symphonia::default::get_probe()
        .probe(&Hint::new(), stream, Default::default(), Default::default())
        .expect("a WAV file");
    let track = format.default_track(TrackType::Audio).unwrap();
    let parameters = track.codec_params.as_ref().unwrap().audio().unwrap().clone();
    let mut decoder = symphonia::default::get_codecs().make_audio_decoder(&parameters, &Default::default()).unwrap();
    let mut channels = vec![Vec::new(); parameters.channels.as_ref().unwrap().count()];
    while let Some(packet) = format.next_packet().unwrap() {
        let buffer = decoder.decode(&packet).unwrap();
        assert!(matches!(buffer, GenericAudioBufferRef::F32(_)), "32-bit float was written");
        let mut planes: Vec<Vec<f32>> = Vec::new();
        buffer.copy_to_vecs_planar(&mut planes);
        for (channel, plane) in channels.iter_mut().zip(planes) {
            channel.extend(plane);
        }
    }
    (parameters.sample_rate.unwrap(), channels)
}
