//! WAV files, judged by a decoder that has nothing to do with the writer.

mod reader;

use proptest::prelude::*;
use reader::decoded;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use tenterhook_io::place::Over;
use tenterhook_io::{Log, LogSettings, Player, TakeSettings, WavError, WavWriter, read_wav};

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn what_is_written_is_read_bit_for_bit_by_another_library(
        count in 1usize..18,
        blocks in prop::collection::vec(1usize..400, 1..6),
        rate in prop::sample::select(vec![8000u32, 44_100, 48_000, 96_000, 192_000]),
        seed in any::<u32>(),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("out.wav");
        let frames: usize = blocks.iter().sum();
        // All kinds of finite numbers, denormals and both zeros among them.
        let sample = |n: usize, t: usize| {
            let bits = seed.wrapping_add((n * frames + t) as u32).wrapping_mul(2_654_435_761);
            Some(f32::from_bits(bits)).filter(|x| x.is_finite()).unwrap_or(-0.0)
        };
        let sound: Vec<Vec<f32>> = (0..count).map(|n| (0..frames).map(|t| sample(n, t)).collect()).collect();

        let mut writer = WavWriter::create(&path, count, rate).unwrap();
        let mut at = 0;
        for block in blocks {
            prop_assert!(!path.exists(), "an unfinished file must not have its name");
            writer.write(&sound.iter().map(|channel| &channel[at..at + block]).collect::<Vec<_>>()).unwrap();
            at += block;
        }
        writer.finish().unwrap();
        prop_assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);

        let bits = |sound: &[Vec<f32>]| -> Vec<Vec<u32>> {
            sound.iter().map(|channel| channel.iter().map(|x| x.to_bits()).collect()).collect()
        };
        let (their_rate, theirs) = decoded(&path);
        let ours = read_wav(&path).unwrap();
        prop_assert_eq!((their_rate, ours.rate), (rate, rate));
        prop_assert_eq!(bits(&theirs), bits(&sound));
        prop_assert_eq!(bits(&ours.channels), bits(&sound));
    }
}

/// A WAV file byte by byte, after the format's own description (RIFF: "Multimedia Programming Interface and Data
/// Specifications 1.0", 1991).
fn plain(tag: u16, channels: u16, bits: u16, announced: u32, data: &[u8]) -> Vec<u8> {
    let (rate, frame) = (8000u32, channels * bits / 8);
    let mut file = b"RIFF".to_vec();
    file.extend((36 + announced).to_le_bytes());
    file.extend(b"WAVEfmt \x10\0\0\0");
    file.extend(tag.to_le_bytes());
    file.extend(channels.to_le_bytes());
    file.extend(rate.to_le_bytes());
    file.extend((rate * u32::from(frame)).to_le_bytes());
    file.extend(frame.to_le_bytes());
    file.extend(bits.to_le_bytes());
    file.extend(b"data");
    file.extend(announced.to_le_bytes());
    file.extend(data);
    file
}

fn read(bytes: &[u8]) -> Result<Vec<Vec<f32>>, WavError> {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("given.wav");
    fs::write(&path, bytes).unwrap();
    read_wav(&path).map(|recording| recording.channels)
}

#[test]
fn integers_of_every_width_are_fractions_of_full_scale() {
    let cases: [(u16, &[u8], &[f32]); 3] = [
        (16, &[0, 0x80, 0, 0x40, 0xff, 0x7f], &[-1.0, 0.5, 32767.0 / 32768.0]),
        (24, &[0, 0, 0x80, 0, 0, 0x40, 1, 0, 0], &[-1.0, 0.5, 1.0 / 8_388_608.0]),
        (32, &[0, 0, 0, 0x80, 0, 0, 0, 0x40, 0, 1, 0, 0], &[-1.0, 0.5, 256.0 / 2_147_483_648.0]),
    ];
    for (bits, data, want) in cases {
        assert_eq!(read(&plain(1, 1, bits, data.len() as u32, data)).unwrap(), [want], "{bits} bits");
    }
}

#[test]
fn what_cannot_be_read_says_why() {
    let dir = tempfile::tempdir().unwrap();
    let missing = read_wav(&dir.path().join("missing.wav")).unwrap_err();
    assert!(matches!(missing, WavError::Unread(_)) && missing.to_string().contains("missing.wav"));
    assert!(matches!(read(b"").unwrap_err(), WavError::NotWav { .. }));
    assert!(matches!(read(b"title = \"a piece, not a sound\"").unwrap_err(), WavError::NotWav { .. }));
    assert!(matches!(read(&plain(1, 2, 16, 0, b"")).unwrap_err(), WavError::Empty { .. }));
    assert!(matches!(read(&plain(85, 2, 16, 4, b"abcd")).unwrap_err(), WavError::Unsupported { .. }));
    // Ten frames of two channels are announced; three and a half are there.
    let cut = read(&plain(1, 2, 16, 40, &[7; 14])).unwrap_err();
    assert!(matches!(cut, WavError::Truncated { announced: 10, found: 3, .. }), "{cut:?}");
}

#[test]
fn what_was_never_finished_is_read_to_where_it_ends_and_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("given.wav");
    let open = |bytes: &[u8]| {
        fs::write(&path, bytes).unwrap();
        tenterhook_io::WavReader::open(&path)
    };
    let data: Vec<u8> = (0..43).collect();
    // Ten whole frames of two channels, and three bytes of an eleventh.
    for announced in [0, u32::MAX, 0x7FFF_F000, 43, 44] {
        let mut file = plain(1, 2, 16, 40, &data);
        file[40..44].copy_from_slice(&announced.to_le_bytes());
        let reader = open(&file).unwrap();
        let caution = reader.caution().expect("it says so");
        assert!(caution.contains("given.wav") && caution.contains("where it ends"), "{caution}");
        assert_eq!((reader.frames(), reader.channels()), (10, 2), "{announced} announced");
        let sample = |n: usize| f32::from(i16::from_le_bytes([data[2 * n], data[2 * n + 1]])) / 32768.0;
        let channel = |c: usize| (0..10).map(|n| sample(2 * n + c)).collect::<Vec<_>>();
        let want = vec![channel(0), channel(1)];
        assert_eq!(read(&file).unwrap(), want);
        // And by the library that reads all other kinds of sound.
        assert_eq!(tenterhook_io::decode_sound("given.wav", file, 60.0).unwrap().channels, want);
    }
    // Whole files say nothing; a length of 0 before other chunks means none; half a file is still refused.
    assert_eq!(open(&plain(1, 2, 16, 40, &data[..40])).unwrap().caution(), None);
    let listed = [plain(1, 2, 16, 0, b""), b"LIST\x04\0\0\0INFO".to_vec()].concat();
    assert!(matches!(open(&listed), Err(WavError::Empty { .. })));
    assert!(matches!(open(&plain(1, 2, 16, 80, &data)), Err(WavError::Truncated { announced: 20, found: 10, .. })));
}

/// SoX writes to a pipe what it cannot go back to.
#[test]
fn what_another_program_writes_into_a_pipe_is_read() {
    let sox = Command::new("sox").args("-n -r 48000 -b 16 -c 2 -t wav - synth 0.5 sine 440".split(' ')).output();
    let piped = sox.expect("the tests need sox").stdout;
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("piped.wav");
    fs::write(&path, &piped).unwrap();
    let reader = tenterhook_io::WavReader::open(&path).unwrap();
    assert_eq!((reader.rate(), reader.channels(), reader.frames()), (48_000, 2, 24_000));
    println!("{:?}", reader.caution());
    let peak = read_wav(&path).unwrap().channels[1].iter().fold(0.0f32, |peak, x| peak.max(x.abs()));
    assert!((0.5..=1.0).contains(&peak), "{peak}");
}

#[test]
fn every_shorter_or_spoilt_file_is_an_error_or_a_sound_and_never_a_panic() {
    let whole = plain(1, 2, 16, 40, &[3; 40]);
    // Where only a part of the last frame is missing, the rest is read.
    for length in 0..whole.len() - 3 {
        assert!(read(&whole[..length]).is_err(), "cut to {length} bytes");
    }
    for place in 0..44 {
        for byte in [0, 1, 2, 3, 0x7f, 0x80, 0xff] {
            let mut spoilt = whole.clone();
            spoilt[place] = byte;
            if let Ok(channels) = read(&spoilt) {
                assert!(channels.iter().all(|channel| channel.len() == channels[0].len()));
            }
        }
    }
}

#[test]
fn an_unfinished_file_leaves_nothing_behind() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("out.wav");
    fs::write(&path, "an earlier one").unwrap();
    let mut writer = WavWriter::create_over(&path, 1, 8000, Over::Files).unwrap();
    writer.write(&[&[0.5; 100]]).unwrap();
    drop(writer);
    assert_eq!(fs::read_to_string(&path).unwrap(), "an earlier one");
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
    assert!(matches!(WavWriter::create(&path, 0, 8000), Err(WavError::Channels { channels: 0, .. })));
    assert!(matches!(WavWriter::create(&dir.path().join("no/such.wav"), 1, 8000), Err(WavError::Write { .. })));
}

#[test]
fn nothing_that_is_there_or_comes_meanwhile_is_written_over_unless_one_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("out.wav");
    let mut writer = WavWriter::create(&path, 1, 8000).unwrap();
    writer.write(&[&[0.5; 100]]).unwrap();
    fs::write(&path, "somebody's own").unwrap();
    let Err(WavError::Came { made, .. }) = writer.finish() else { panic!("it came meanwhile") };
    assert_eq!(read_wav(&made).unwrap().channels, [[0.5; 100]], "what was made is not lost");
    assert!(matches!(WavWriter::create(&path, 1, 8000), Err(WavError::Taken(_))));
    assert_eq!(fs::read_to_string(&path).unwrap(), "somebody's own");
    WavWriter::create_over(&path, 1, 8000, Over::Files).unwrap().finish().unwrap();
    assert_ne!(fs::read(&path).unwrap(), b"somebody's own");
}

/// Where the killed child writes; set, it makes this program that child.
const CHILD: &str = "TENTERHOOK_TEST_LOG_DIR";

/// A log whose program is killed can be read up to its last second.
#[test]
fn a_killed_log_can_be_read() {
    if let Some(dir) = std::env::var_os(CHILD) {
        log_until_killed(Path::new(&dir));
    }
    let dir = tempfile::tempdir().unwrap();
    let run = dir.path().join("run");
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "a_killed_log_can_be_read", "--nocapture"])
        .env(CHILD, &run)
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let unfinished = run.join("mics.unfinished.wav");
    let limit = Instant::now() + Duration::from_secs(60);
    // By its header, which is written after the sound: others go by that.
    while !hound::WavReader::open(&unfinished).is_ok_and(|reader| reader.duration() > 1000) {
        assert!(Instant::now() < limit, "nothing readable came in a minute");
        std::thread::sleep(Duration::from_millis(50));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let recording = read_wav(&unfinished).unwrap();
    let theirs = decoded(&unfinished).1;
    assert_eq!(theirs[0], recording.channels[0][..theirs[0].len()]);
    assert!(recording.channels[0].iter().enumerate().all(|(n, x)| *x == n as f32));
    assert!(!run.join("mics.wav").exists());
    assert!(fs::read_to_string(run.join("gestures.unfinished.csv")).unwrap().starts_with("seconds,controller,value"));
}

fn log_until_killed(dir: &Path) -> ! {
    let piece = "mics = { voice = 1 }\noutputs = { left = 1 }\n[[scene]]\nmark = \"A\"\n";
    let plan = tenterhook_config::check(&tenterhook_config::Text::new("a.toml", piece), None).unwrap().plan;
    let settings =
        LogSettings { dir, rate: 8000, inputs: 1, outputs: 1, texts: &[], files: &[], take: TakeSettings::default() };
    let (_log, tap) = Log::start(settings, crossbeam_channel::never()).unwrap();
    let (engine, _control) = tenterhook_rt::engine(&plan, 8000, tenterhook_plan::SceneId(0));
    let mut player = Player::new(engine, 8000).with_log(tap);
    let mut at = 0;
    loop {
        let input: Vec<f32> = (at..at + 80).map(|n| n as f32).collect();
        player.block(&[&input], &mut [&mut [0.0; 80]], &[]);
        at += 80;
        std::thread::sleep(Duration::from_millis(2));
    }
}
