//! Journals: whatever the bytes, what is found is what the last whole line before told, and what is cut off or damaged
//! after it changes nothing.

use serde_json::Value;
use tenterhook_io::{Found, checksum};

/// The piece whose journal it is.
const PIECE: &str = "/pieces/reed.toml";

/// Panics if the law is broken. Where the first byte is odd each line gets its right checksum: no fuzzer finds it by luck.
pub fn law(data: &[u8]) {
    let Some((how, data)) = data.split_first() else { return };
    let bytes = if how % 2 == 1 { with_checksums(data) } else { data.to_vec() };
    let found = Found::of(&bytes, PIECE);

    // A mark that is told comes from a line that is whole.
    if let Some(interrupted) = &found.interrupted {
        let mark = Value::from(interrupted.mark.as_str());
        let told = whole_lines(&bytes).any(|line| line["stands"]["mark"] == mark || line["stands"][0] == mark);
        assert!(told, "nobody told of {interrupted:?}");
    }
    // Cut off anywhere, it tells what the lines before the cut tell.
    let cut = bytes.len() * usize::from(*how) / 256;
    let line = bytes[..cut].iter().rposition(|byte| *byte == b'\n').map_or(0, |place| place + 1);
    assert_eq!(Found::of(&bytes[..cut], PIECE).interrupted, Found::of(&bytes[..line], PIECE).interrupted);
    // What is damaged is counted, and changes nothing.
    if bytes.last().is_none_or(|byte| *byte == b'\n') {
        let more = Found::of(&[&bytes[..], b"00000000 \"ended\"\n"].concat(), PIECE);
        assert_eq!(more, Found { damaged: found.damaged + 1, ..found });
    }
    // And an end is an end.
    let ended = [&bytes[..], b"\n", &with_checksums(b"\"ended\"")].concat();
    assert_eq!(Found::of(&ended, PIECE).interrupted, None);
}

fn with_checksums(data: &[u8]) -> Vec<u8> {
    let lines = data.split(|byte| *byte == b'\n').filter(|line| !line.is_empty());
    lines.flat_map(|line| [format!("{:08x} ", checksum(line)).as_bytes(), line, b"\n"].concat()).collect()
}

/// The lines with right checksums, read by another way than the journal's own.
fn whole_lines(bytes: &[u8]) -> impl Iterator<Item = Value> {
    bytes.split(|byte| *byte == b'\n').filter_map(|line| {
        let json = line.get(9..)?;
        let told = u32::from_str_radix(std::str::from_utf8(&line[..8]).ok()?, 16).ok()?;
        (told == checksum(json)).then(|| serde_json::from_slice(json).ok())?
    })
}

/// A run that broke off, one that ended, another piece's.
pub fn seeds() -> Vec<Vec<u8>> {
    let piece = r#"{"piece":{"version":1,"path":"/pieces/reed.toml","crc":305419896,"marks":["A","B"]}}"#;
    let other = piece.replace("reed", "willow");
    let a = r#"{"stands":{"mark":"A","hushed":false,"muted":[],"level_db":0.0,"levels_db":{}}}"#;
    let b = r#"{"stands":{"mark":"B","hushed":true,"muted":["viol"],"level_db":-2.5,"levels_db":{"left":-3.0}}}"#;
    let ended = r#""ended""#;
    let of = |how: u8, lines: &[&str]| [&[how][..], lines.join("\n").as_bytes()].concat();
    let written = with_checksums([piece, a, b].join("\n").as_bytes());
    vec![
        of(255, &[piece, a, b]),
        of(201, &[piece, a, ended]),
        of(101, &[&other, a, piece, b]),
        of(181, &[a, piece, "{}", b]),
        [&[200][..], &written].concat(),
    ]
}
