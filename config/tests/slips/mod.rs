//! A sound piece, and one slip for every kind of error and caution.

#![allow(dead_code, reason = "each test program uses its part")]

use tenterhook_config::Kind;

/// A piece without a fault. Each case makes one slip in it.
pub const SOUND: &str = r#"
title = "Slips"
next  = "step"

[mics]
voice = 1
viol  = { input = 2 }

[groups]
both = ["voice", "viol"]

[outputs]
left  = 1
right = { output = 2 }

[controllers]
pedal = { cc = 64 }
foot  = { cc = 11 }
step  = { key = "n" }

[[scene]]
mark = "A"
[scene.mic.voice]
freeze = { by = "pedal" }
[scene.mic.both]
stretch = { by = "foot" }
"#;

/// Where the slip is. `«` and `»` enclose the text that must be underlined.
pub enum In {
    /// In the piece: this is replaced by that.
    Piece(&'static str, &'static str),
    /// In a piece of its own.
    Whole(&'static str),
    /// In a hall for the sound piece.
    Hall(&'static str),
    /// In gestures for the sound piece, after the header.
    Lines(&'static str),
    /// In a gestures file of its own.
    Csv(&'static str),
    /// In these bytes, whose file has no lines to underline.
    Bytes(Vec<u8>),
}
use In::*;

/// A pedal of two characters, one of which fires.
const SHARED_COMMAND: &str = "next = «\"pedal\"»\nmics = { voice = 1 }\noutputs = { left = 1 }\n\
    controllers = { pedal = { cc = 64 }, tap = { like = \"pedal\" } }\n[[scene]]\nmark = \"A\"\n\
    mic.voice.direct = { by = \"tap\" }\n";

/// A pedal of two characters, both in one scene.
const SHARED_IN_SCENE: &str = "mics = { voice = 1 }\noutputs = { left = 1 }\n\
    controllers = { pedal = { cc = 64 }, tap = { like = \"pedal\" } }\n[[scene]]\nmark = \"A\"\n\
    mic.voice.freeze = { by = \"pedal\" }\nmic.voice.direct = { by = «\"tap\"» }\n";

/// A Standard MIDI File of format `format` with one track of these events.
fn midi_file(format: u8, ticks: u8, events: &[u8]) -> Vec<u8> {
    let mut file = b"MThd\0\0\0\x06\0".to_vec();
    file.extend([format, 0, 1, 0, ticks]);
    file.extend(b"MTrk");
    file.extend((events.len() as u32 + 4).to_be_bytes());
    file.extend(events);
    file.extend([0, 0xff, 0x2f, 0]);
    file
}

pub fn cases() -> Vec<(Kind, In, &'static str)> {
    use Kind::*;
    vec![
        (Syntax, Piece("\"Slips\"", "«“Slips”»"), "straight quotes"),
        (Syntax, Piece("by = \"foot\"", "by = «‘foot’»"), "write \"foot\""),
        (Syntax, Piece("[controllers]", "«[controllers»"), "write [controllers]"),
        (Syntax, Piece("[[scene]]", "«[[scene]»"), "write [[scene]]"),
        (Syntax, Piece("{ cc = 64 }", "«{» cc = 64"), "close it with }"),
        (Syntax, Piece("[\"voice\", \"viol\"]", "«[»\"voice\", \"viol\""), "close it with ]"),
        (Syntax, Piece("{ input = 2 }", "{ input «»2 }"), "this line right"),
        (Syntax, Piece("{ input = 2 }", "{ input = «2 trim» = \"3 dB\" }"), "put a comma after 2"),
        (Syntax, Piece("{ input = 2 }", "{ home = \"left\" «»input = 2 }"), "put a comma"),
        (Syntax, Piece("\"voice\", \"viol\"", "\"voice\" «»\"viol\""), "put a comma"),
        (Syntax, Piece("voice = 1", "voice = «»"), "a value after the ="),
        (Syntax, Piece("cc = 64", "cc = «pedal»"), "write \"pedal\" in quotes"),
        (Syntax, Piece("foot  = {", "«pedal» = { cc = 1 }\nfoot  = {"), "another name"),
        (Syntax, Piece("cc = 11", "cc = 11, «cc» = 12"), "leave one of the two out"),
        (Syntax, Piece("next  = \"step\"", "next  = \"step«»"), "close it with \""),
        (NotText, Bytes(b"seconds,controller,value\n1,\xff,1\n".to_vec()), "UTF-8"),
        (UnknownKey, Piece("title =", "«titel» ="), "\"title\""),
        (UnknownKey, Piece("{ input = 2 }", "{ input = 2, «trimm» = \"3 dB\" }"), "\"trim\""),
        (UnknownKey, Piece("{ by = \"foot\" }", "{ by = \"foot\", «mots» = 3 }"), "\"most\""),
        (UnknownKey, Piece("[scene.mic.both]", "[scene.«mics».both]"), "\"mic\""),
        (UnknownKey, Piece("mark = \"A\"", "mark = \"A\"\n«freeze» = { by = \"pedal\" }"), "mic.voice.freeze = …"),
        (UnknownKey, Hall("[«groups»]\nall = [\"voice\"]\n"), "\"mics\""),
        (UnknownKey, Hall("[device]\n«rat» = 48000\n"), "\"rate\""),
        (KeyBelongsAbove, Piece("[controllers]", "[controllers]\n«back» = \"foot\""), "above the first [table]"),
        (KeyBelongsAbove, Piece("mark = \"A\"", "mark = \"A\"\n«hush» = \"foot\""), "above the first [table]"),
        (KeyBelongsAbove, Piece("[outputs]", "[outputs]\n«tuning» = \"415 Hz\""), "above the first [table]"),
        (KeyBelongsAbove, Piece("stretch = {", "«mark» = \"B\"\nstretch = {"), "below [[scene]]"),
        (
            KeyBelongsAbove,
            Piece("mark = \"A\"\n[scene.mic.voice]\n", "[scene.mic.voice]\n«mark» = \"A\"\n"),
            "below [[scene]]",
        ),
        (MissingKey, Piece("[[scene]]\nmark = \"A\"", "«[[scene]]»"), "mark = \"A\""),
        (MissingKey, Piece("viol  = { input = 2 }", "«viol»  = {}"), "input = 1"),
        (MissingKey, Piece("{ cc = 11 }", "{ «loudness» = \"voice\" }"), "from = \"-50 dB\""),
        (WrongType, Piece("by = \"foot\"", "by = «[\"foot\"]»"), "write by = \"foot\""),
        (WrongType, Piece("\"step\"", "«[\"step\"]»"), "write next = \"step\""),
        (WrongType, Piece("\"Slips\"", "«7»"), "title = \"7\""),
        (WrongType, Piece("\"Slips\"", "«{}»"), "title = \"…\""),
        (
            WrongType,
            Piece("freeze = {", "ring = { effect = \"sympathetic\", tuned = «[\"D3\", \"A3\"]»,"),
            "tuned = \"D3 A3\"",
        ),
        (WrongType, Hall("[outputs]\nright = «\"off\"»\n"), "or \"none\" to leave it out"),
        (WrongType, Piece("mark = \"A\"", "mark = \"A\"\nbar = «\"1\"»"), "bare number"),
        (WrongType, Piece("[[scene]]", "«[scene]»"), "[[scene]]"),
        (WrongType, Piece("\"foot\" }", "\"foot\", most = «\"6\"» }"), "write 6 without quotes"),
        (WrongType, Piece("\"foot\" }", "\"foot\", to = «\"left\"» }"), "to = [\"left\"]"),
        (WrongType, Piece("{ cc = 11 }", "{ osc = \"/foot\", to = «\"1\"» }"), "bare number"),
        (WrongType, Piece("{ cc = 11 }", "«11»"), "foot = { cc = 64 }"),
        (MissingUnit, Piece("mark = \"A\"", "mark = \"A\"\nfade = «2»"), "\"2 s\""),
        (MissingUnit, Piece("mark = \"A\"", "mark = \"A\"\nfade = «\"0.5\"»"), "\"0.5 s\""),
        (MissingUnit, Piece("stretch = {", "double = { interval = «-7»,"), "\"-700 cents\""),
        (NotANumber, Piece("stretch = {", "double = { interval = «\"-7 semitones\"»,"), "\"-700 cents\""),
        (MissingUnit, Piece("{ input = 2 }", "{ input = 2, trim = «-3» }"), "\"-3 dB\""),
        (MissingUnit, Piece("{ cc = 11 }", "{ loudness = \"voice\", from = «-50», to = \"-12 dB\" }"), "\"-50 dB\""),
        (WrongUnit, Piece("mark = \"A\"", "mark = \"A\"\nfade = «\"2 Hz\"»"), "\"500 ms\""),
        (WrongUnit, Piece("{ input = 2 }", "{ input = 2, trim = «\"-3 db\"» }"), "\"-3 dB\""),
        (WrongUnit, Piece("{ cc = 11 }", "{ loudness = \"voice\", from = «\"5 s\"», to = \"0 dB\" }"), "\"-50 dB\""),
        (NotANumber, Piece("mark = \"A\"", "mark = \"A\"\nfade = «\"slow\"»"), "\"500 ms\""),
        (OutOfRange, Piece("voice = 1", "voice = «0»"), "from 1 to"),
        (OutOfRange, Piece("cc = 11", "cc = «128»"), "from 0 to 127"),
        (OutOfRange, Piece("\"foot\" }", "\"foot\", most = «65» }"), "from 1 to 64"),
        (OutOfRange, Piece("\"foot\" }", "\"foot\", most = «nan» }"), "from 1 to 64"),
        (OutOfRange, Piece("\"foot\" }", "\"foot\", memory = «\"10 ms\"» }"), "from \"1 s\" to \"120 s\""),
        (OutOfRange, Lines("1,pedal,«1.5»\n"), "from 0 to 1"),
        (OutOfRange, Lines("1,level/left,«24.5»\n"), "24 at most"),
        (UnknownWord, Piece("\"pedal\" }", "\"pedal\", aim = «\"stedy\"» }"), "\"steady\""),
        (UnknownWord, Piece("{ input = 2 }", "{ input = 2, polarity = «\"invert\"» }"), "\"inverted\""),
        (UnknownWord, Piece("cc = 11", "cc = 11, curve = «\"slowly\"»"), "\"slow\""),
        (UnknownWord, Hall("[device]\nhost = «\"jak\"»\n"), "\"jack\""),
        (
            FileUnread,
            Piece("freeze = { by = \"pedal\" }", "tape = { by = \"pedal\", file = «\"bell.wav\"» }"),
            "beside the piece",
        ),
        (
            FileUnread,
            Piece("freeze = { by = \"pedal\" }", "sympathetic = { by = \"pedal\", tuned = «\"bell.toml\"» }"),
            "beside the piece",
        ),
        (
            BadTuning,
            Piece("freeze = { by = \"pedal\" }", "sympathetic = { by = \"pedal\", tuned = «\"D3 H3\"» }"),
            "D3 A3 F#4",
        ),
        (
            BadTuning,
            Piece("freeze = { by = \"pedal\" }", "sympathetic = { by = \"pedal\", tuned = «\"D3 A3+12,5\"» }"),
            "\"A3+12.5\"",
        ),
        (
            BadTuning,
            Piece("freeze = { by = \"pedal\" }", "sympathetic = { by = \"pedal\", tuned = «\"220,5 Hz\"» }"),
            "\"220.5Hz\"",
        ),
        (
            BadTuning,
            Piece("freeze = { by = \"pedal\" }", "sympathetic = { by = \"pedal\", tuned = «\"D3 220\"» }"),
            "if it is a frequency",
        ),
        (
            BadTuning,
            Piece("freeze = { by = \"pedal\" }", "sympathetic = { by = \"pedal\", tuned = «\"D3 +20\"» }"),
            "right behind",
        ),
        (BadNote, Piece("[groups]", "[players]\nviolin = { low = «\"H3\"» }\n[groups]"), "\"B3\""),
        (BadNote, Piece("[groups]", "[players]\nviolin = { high = «\"sol5\"» }\n[groups]"), "\"G3\""),
        (BadNote, Piece("[groups]", "[players]\ntheorbo = { open = «\"G1 Xb2\"» }\n[groups]"), "\"Bb3\""),
        (BadName, Piece("[groups]", "[players]\n«\"Mara, alto\"» = { like = \"alto\" }\n[groups]"), "parts the names"),
        (
            BadTuning,
            Piece("freeze = { by = \"pedal\" }", "sympathetic = { by = \"pedal\", tuned = «\"A3+200\"» }"),
            "at most 100 cents",
        ),
        (
            BadTuning,
            Piece("freeze = { by = \"pedal\" }", "sympathetic = { by = \"pedal\", tuned = «\"D3 5 Hz\"» }"),
            "\"220 Hz\"",
        ),
        (UnknownWord, Piece("next  =", "temperament = «\"vallotti\"»\nnext  ="), "\"Vallotti\""),
        (UnknownWord, Piece("next  =", "temperament = «\"mitteltönig\"»\nnext  ="), "twelve cents from c"),
        (UnknownWord, Hall("temperament = «\"just to h\"»\n"), "\"just to b\""),
        (WrongType, Hall("temperament = [0, 76, 193, 310, 386, 503, «nan», 697, 773, 890, 1007, 1083]\n"), "386.3"),
        (WrongType, Hall("temperament = [0, «\"76,5\"»]\n"), "bare number"),
        (
            OutOfRange,
            Piece("next  =", "temperament = «[0, 10, -4, 2, -8, 6, 0, 4, -2, -10, 3, -6]»\nnext  ="),
            "[0, 110, 196, 302, 392, 506, 600, 704, 798, 890, 1003, 1094]",
        ),
        (OutOfRange, Hall("temperament = «[0, 76, 193, 310, 386, 503, 579, 697, 773, 890, 1007, 1200]»\n"), "to b"),
        (WrongType, Piece("next  =", "temperament = «[0, 100]»\nnext  ="), "each note from c to b"),
        (WrongType, Hall("temperament = «6»\n"), "between brackets"),
        (MissingUnit, Hall("tuning = «415»\n"), "\"415 Hz\""),
        (KeyBelongsAbove, Hall("[mics]\nvoice = 1\n«tuning» = \"415 Hz\"\n"), "above the first [table]"),
        (BadName, Piece("left  =", "«\"\"» = 3\nleft  ="), "a letter or more"),
        (BadName, Piece("foot  = {", "«\"a/b\"» = {}\nfoot  = {"), "leave the slash out"),
        (BadName, Piece("mark = \"A\"", "mark = «\"A \"»"), "without spaces"),
        (BadName, Piece("mark = \"A\"", "mark = «\"A\\u001b\"»"), "leave that character out"),
        (ReservedName, Piece("foot  = {", "«level» = {}\nfoot  = {"), "fire, hush, level"),
        (NameTwice, Piece("both = [", "«voice» = [\"viol\"]\nboth = ["), "another name"),
        (NoMics, Whole("«»outputs = { left = 1 }\n[[scene]]\nmark = \"A\"\n"), "[mics]"),
        (NoOutputs, Whole("«»mics = { voice = 1 }\n[[scene]]\nmark = \"A\"\n"), "left = 1 and right = 2"),
        (NoScenes, Whole("«»mics = { voice = 1 }\noutputs = { left = 1 }\n"), "[[scene]]"),
        (UnknownMic, Piece("[\"voice\", \"viol\"]", "[\"voice\", «\"voil\"»]"), "\"viol\""),
        (UnknownMic, Piece("[scene.mic.voice]", "[scene.mic.«vioce»]"), "\"voice\""),
        (
            UnknownMic,
            Piece("{ cc = 11 }", "{ loudness = «\"harp\"», from = \"-50 dB\", to = \"0 dB\" }"),
            "\"voice\", \"viol\"",
        ),
        (UnknownMic, Hall("[mics]\n«vioce» = 3\n"), "\"voice\""),
        (UnknownMic, Lines("1,«mute/voise»,1\n"), "\"voice\""),
        (UnknownOutput, Piece("\"foot\" }", "\"foot\", to = [«\"rigth\"»] }"), "\"right\""),
        (UnknownOutput, Piece("\"foot\" }", "\"foot\", to = { «rigth» = \"0 dB\" } }"), "\"right\""),
        (UnknownOutput, Piece("{ input = 2 }", "{ input = 2, home = «\"lefd\"» }"), "\"left\""),
        (UnknownOutput, Hall("[outputs]\n«lfet» = 3\n"), "\"left\""),
        (UnknownOutput, Lines("1,«level/lft»,0\n"), "\"left\""),
        (UnknownController, Piece("by = \"foot\"", "by = «\"foto\"»"), "\"foot\""),
        (UnknownController, Piece("by = \"foot\"", "by = «\"scen\"»"), "\"scene\""),
        (UnknownController, Piece("\"step\"", "«\"stpe\"»"), "\"step\""),
        (UnknownController, Hall("[controllers]\n«pedla» = { cc = 1 }\n"), "\"pedal\""),
        (UnknownController, Lines("1,«pedel»,1\n"), "\"pedal\""),
        (UnknownController, Lines("1,«hsuh»,1\n"), "\"hush\""),
        (UnknownPlayer, Piece("[groups]", "[players]\n«violn» = { high = \"E7\" }\n[groups]"), "\"violin\""),
        (UnknownPlayer, Piece("[groups]", "[players]\nMara = { like = «\"sopran\"» }\n[groups]"), "\"soprano\""),
        (UnknownPlayer, Piece("[groups]", "[players]\nMara = { like = «\"Mara\"» }\n[groups]"), "\"soprano\""),
        (UnknownWord, Piece("[groups]", "[players]\nviolin = { clef = «\"trebel\"» }\n[groups]"), "\"treble\""),
        (
            UnknownWord,
            Piece("[groups]", "[players]\nviolin = { clef = [\"alto\", «\"tenro\"»] }\n[groups]"),
            "\"tenor\"",
        ),
        (UnknownWord, Piece("[groups]", "[players]\nviolin = { clef = «[]» }\n[groups]"), "clef = \"treble\""),
        (
            UnknownWord,
            Piece("[groups]", "[players]\nviolin = { transposition = «\"-2\"» }\n[groups]"),
            "\"major second down\"",
        ),
        (WrongType, Piece("[groups]", "[players]\nviolin = «\"G3-A6\"»\n[groups]"), "violin = { low"),
        (EmptyRange, Piece("[groups]", "[players]\nviolin = { low = «\"D7\"» }\n[groups]"), "low below high"),
        (UselessKey, Piece("[groups]", "[players]\nviolin = { «like» = \"viol\" }\n[groups]"), "a name of your own"),
        (NameTwice, Piece("[groups]", "[players]\nviol = {}\n«\"bass viol\"» = {}\n[groups]"), "describe it once"),
        (UnknownEffect, Piece("stretch =", "«strech» ="), "\"stretch\""),
        (UnknownEffect, Piece("stretch = {", "slow = { effect = «\"strech\"»,"), "\"stretch\""),
        (UnknownEffect, Piece("stretch =", "«reverb» ="), "let the desk add it"),
        (UnknownEffect, Piece("stretch = {", "slow = { effect = «\"Reverb\"»,"), "let the desk add it"),
        (UnknownAfter, Piece("\"foot\" }", "\"foot\", after = «\"freeze\"» }"), "no other effects"),
        (UnknownMark, Lines("1,fire,«B»\n"), "\"A\""),
        (
            UnknownMark,
            Piece("[[scene]]", "[[scene]]\nmark = \"E1\"\n[[scene]]\nmark = \"F\"\nlike = «\"E2\"»\n[[scene]]"),
            "\"E1\"",
        ),
        (UnknownMark, Piece("[[scene]]", "[[scene]]\nmark = \"B\"\nlike = «\"B\"»\n[[scene]]"), "takes over from"),
        (
            LikeOfLike,
            Piece(
                "[[scene]]",
                "[[scene]]\nmark = \"C\"\nlike = «\"B\"»\n[[scene]]\nmark = \"B\"\nlike = \"A\"\n[[scene]]",
            ),
            "like = \"A\", and below it",
        ),
        (UselessKey, Piece("freeze = {", "«direct» = \"none\"\nfreeze = {"), "like = \"…\" below [[scene]]"),
        (
            UselessKey,
            Piece(
                "[[scene]]",
                "[[scene]]\nmark = \"B\"\nlike = \"A\"\n[scene.mic.viol]\n«freeze» = \"none\"\n[[scene]]",
            ),
            "name a line of \"A\"",
        ),
        (UnknownKeyName, Piece("\"n\"", "«\"Pageup\"»"), "\"PageUp\""),
        (UnknownKeyName, Piece("\"n\"", "«\"Space\"»"), "\" \""),
        (GroupInGroup, Piece("both = [", "more = [«\"both\"»]\nboth = ["), "one by one"),
        (EmptyGroup, Piece("both = [", "«more» = []\nboth = ["), "more = ["),
        (MicTwice, Piece("\"viol\"]", "\"viol\", «\"voice\"»]"), "once"),
        (OutputTwice, Piece("\"foot\" }", "\"foot\", to = [\"left\", «\"left\"»] }"), "once"),
        (MicChannelTaken, Piece("{ input = 2 }", "{ input = «1» }"), "2 is free"),
        (MicChannelTaken, Hall("[mics]\nvoice = «2»\n"), "is free"),
        (OutputChannelTaken, Piece("{ output = 2 }", "{ output = «1» }"), "2 is free"),
        (
            PrivateShared,
            Hall("[outputs]\nleft = { private = true }\nright = { output = «1» }\n"),
            "left = { output = 1, shared = true }",
        ),
        (PrivateShared, Hall("[outputs]\nright = { output = «1», private = true }\n"), "2 is free"),
        (
            AwayDiffers,
            Hall("[outputs]\nleft = { output = 1, away = \"3 m\" }\nright = { output = 1, away = «\"14 m\"» }\n"),
            "one distance",
        ),
        (UselessKey, Hall("[outputs]\nleft = { private = true, «away» = \"3 m\" }\n"), "leave it out"),
        (UnknownKey, Piece("{ output = 2 }", "{ output = 2, «away» = \"3 m\" }"), "a hall file"),
        (OutOfRange, Hall("[outputs]\nleft = { away = «\"140 m\"» }\n"), "\"100 m\""),
        (MissingUnit, Hall("[outputs]\nleft = { away = «14» }\n"), "\"14 m\""),
        (WrongUnit, Hall("[outputs]\nleft = { away = «\"30 ft\"» }\n"), "\"9.144 m\""),
        (UnknownLevel, Hall("[levels]\n«\"voice.freze\"» = \"-3 dB\"\n"), "\"voice.freeze\""),
        (UnknownLevel, Hall("[levels]\n«stretch» = \"-3 dB\"\n"), "\"both.stretch\""),
        (UnknownLevel, Hall("[levels]\nvoice.«freze» = \"-3 dB\"\n"), "\"voice.freeze\""),
        (UselessKey, Hall("[levels]\n\"voice.freeze\" = \"1 dB\"\nvoice.«freeze» = \"2 dB\"\n"), "one of them"),
        (OutOfRange, Hall("[levels]\nvoice.freeze = «\"-30 dB\"»\n"), "\"-24 dB\""),
        (OutOfRange, Hall("[levels]\n\"voice.freeze\" = «\"9 dB\"»\n"), "\"6 dB\""),
        (MissingUnit, Hall("[levels]\n\"voice.freeze\" = «-3»\n"), "\"-3 dB\""),
        (WrongType, Hall("levels = «\"-3 dB\"»\n"), "[levels]"),
        (UnknownKey, Piece("[mics]", "[«levels»]\n\"voice.freeze\" = \"-3 dB\"\n[mics]"), "a hall file"),
        (NoneInPiece, Piece("voice = 1", "voice = «\"none\"»"), "hall file"),
        (SeveralAddresses, Piece("cc = 11", "cc = 11, «like» = \"pedal\""), "keep one"),
        (UnknownController, Piece("step  =", "tap = { like = «\"pedla\"» }\nstep  ="), "\"pedal\""),
        (UnknownController, Piece("step  =", "tap = { like = «\"tap\"» }\nstep  ="), "has the address"),
        (
            LikeOfLike,
            Piece("step  =", "tap = { like = «\"tip\"» }\ntip = { like = \"pedal\" }\nstep  ="),
            "like = \"pedal\"",
        ),
        (UselessKey, Piece("step  =", "tap = { like = \"pedal\", «channel» = 2 }\nstep  ="), "where the address is"),
        (
            UselessKey,
            Piece("step  =", "tap = { like = \"pedal\", «curve» = \"slow\" }\nstep  ="),
            "no curve bends those",
        ),
        (CommandShared, Whole(SHARED_COMMAND), "its alone"),
        (ControllerWorksTwo, Whole(SHARED_IN_SCENE), "a controller of its own"),
        (SeveralAddresses, Piece("{ cc = 11 }", "{ cc = 11, «note» = 3 }"), "keep one"),
        (SeveralAddresses, Hall("[controllers]\nfoot = { cc = 12, «note» = 3 }\n"), "keep one"),
        (MessageReachesTwo, Piece("{ cc = 11 }", "{ «cc» = 64, channel = 2 }"), "`channel` or `port`"),
        (MessageReachesTwo, Hall("[controllers]\npedal = { «cc» = 11 }\n"), "another number"),
        (MessageReachesTwo, Piece("{ cc = 11 }\nstep  = { key", "{ key = \"n\" }\nstep  = { «key»"), "another"),
        (BadOscAddress, Piece("{ cc = 11 }", "{ osc = «\"sway\"» }"), "\"/sway\""),
        (SameEnds, Piece("{ cc = 11 }", "{ osc = \"/sway\", from = 2, «to» = 2.0 }"), "different"),
        (UselessKey, Piece("cc = 11", "cc = 11, «from» = 1"), "osc and loudness"),
        (UselessKey, Piece("{ cc = 11 }", "{ osc = \"/foot\", «channel» = 1 }"), "cc and note"),
        (UselessKey, Piece("{ cc = 11 }", "{ note = 1, «switch» = true }"), "only a cc"),
        (UselessKey, Piece("cc = 64", "cc = 64, «curve» = \"slow\""), "0 or 1"),
        (UselessKey, Piece("cc = 11", "cc = 40, «fine» = true"), "from 0 to 31"),
        (UselessKey, Piece("cc = 64", "cc = 64, «fine» = true"), "from 0 to 31"),
        (UselessKey, Piece("cc = 11", "cc = 11, «fine» = true, switch = true"), "from 0 to 31"),
        (UselessKey, Piece("cc = 11", "cc = 11, latch = true, «fine» = true"), "from 0 to 31"),
        (UselessKey, Piece("{ cc = 11 }", "{ note = 1, «fine» = true }"), "only a cc"),
        (UselessKey, Hall("[controllers]\nfoot = { cc = 40, «fine» = true }\n"), "from 0 to 31"),
        (UselessKey, Piece("{ cc = 11 }", "{ osc = \"/foot\", «polarity» = \"inverted\" }"), "`from` is above `to`"),
        (UnknownWord, Piece("cc = 11", "cc = 11, polarity = «\"reversed\"»"), "\"inverted\""),
        (
            MessageReachesTwo,
            Piece("{ cc = 11 }", "{ cc = 11, fine = true }\nlow = { «cc» = 43 }"),
            "`channel` or `port`",
        ),
        (
            UselessKey,
            Piece("{ cc = 11 }", "{ loudness = \"voice\", from = \"-50 dB\", to = \"0 dB\", «latch» = true }"),
            "not pressed",
        ),
        (UselessKey, Piece("step  = { key", "step  = { «fall» = \"2 s\", key"), "acts at once"),
        (UselessKey, Piece("\"pedal\" }", "\"pedal\", «each» = true }"), "only a group"),
        (UselessKey, Piece("\"pedal\" }", "\"pedal\", «effect» = \"stretch\" }"), "a key of its own"),
        (UselessKey, Piece("\"foot\" }", "\"foot\", to = [], «level» = \"1 dB\" }"), "name an output"),
        (UselessKey, Hall("[controllers]\nfoot = { key = \"f\", «port» = \"Foot\" }\n"), "cc and note"),
        (MarkTwice, Piece("[[scene]]", "[[scene]]\nmark = \"A\"\n[[scene]]"), "\"A+1\""),
        (NoController, Piece("{ by = \"foot\" }", "{ most = 3 }"), "by = \"…\""),
        (ControllerWorksTwo, Piece("by = \"foot\"", "by = «\"pedal\"»"), "one controller works one effect"),
        (ControllerWorksTwo, Piece("\"step\"", "\"step\"\nback = «\"step\"»"), "of its own"),
        (
            CommandByLoudness,
            Piece("{ key = \"n\" }", "{ «loudness» = \"voice\", from = \"-50 dB\", to = \"0 dB\" }"),
            "a person works",
        ),
        (CommandWorksEffect, Piece("by = \"foot\"", "by = «\"step\"»"), "of its own"),
        (AfterRing, Piece("\"foot\" }", "\"foot\", after = «\"stretch\"» }"), "leave `after` out"),
        (
            AfterRing,
            Piece("\"foot\" }", "\"foot\", after = «\"direct\"» }\ndirect = { by = \"scene\", after = \"stretch\" }"),
            "leave `after` out",
        ),
        (
            AfterEachMixed,
            Piece("\"foot\" }", "\"foot\", each = true }\ndirect = { by = \"scene\", after = «\"stretch\"» }"),
            "each = true on both",
        ),
        (BadHeader, Csv("«time,controller,value»\n1,pedal,1\n"), "seconds,controller,value"),
        (BadHeader, Csv("«»"), "seconds,controller,value"),
        (BadRow, Lines("1,pedal,1\n«2,pedal»\n"), "1.5,pedal,1"),
        (BadTime, Lines("«soon»,pedal,1\n"), "1.5"),
        (BadTime, Lines("«NaN»,pedal,1\n"), "1.5"),
        (BadTime, Lines("«-1»,pedal,1\n"), "1.5"),
        (TimeGoesBack, Lines("2,pedal,1\n\n«1.5»,pedal,0\n"), "order of their times"),
        (BadValue, Lines("1,pedal,«inf»\n"), "from 0 to 1"),
        (BadValue, Lines("1,hush,«yes»\n"), "1 for yes, 0 for no"),
        (BadValue, Lines("1,level,«\"-3 dB\"»\n"), "number of dB"),
        (LoudnessWritten, Lines("1,«loud»,0.5\n"), "leave this line out"),
        (BadMidiFile, Bytes(b"MThd\0\0\0\x06\0\0\0\x01\0\x60MTrk\0\0\0\x40\0".to_vec()), "CSV"),
        (BadMidiFile, Bytes(midi_file(2, 96, &[])), "format 0 or 1"),
        (BadMidiFile, Bytes(midi_file(0, 0, &[])), "96 ticks"),
        (NoSuchScene, Bytes(midi_file(0, 96, &[0, 0xc0, 1])), "0 to 0"),
        (Unused, Piece("foot  = {", "«lever» = {}\nfoot  = {"), "name it in a scene"),
        (Unused, Piece("viol  =", "«flute» = 3\nviol  ="), "name it in a scene"),
        (Unused, Piece("left  =", "«ears» = { output = 3, private = true }\nleft  ="), "name it in a scene"),
        (
            BentTwice,
            Whole(
                "mics = { voice = 1 }\noutputs = { left = 1 }\ncontrollers = { foot = { cc = 11, curve = «\"slow\"» } }\n\
                 [[scene]]\nmark = \"A\"\nmic.voice.freeze = { by = \"foot\" }\n",
            ),
            "leave curve out",
        ),
        (NeverHeard, Piece("stretch = { by = \"foot\"", "«stretch» = { by = \"foot\", to = []"), "name an output"),
        (LeftOut, Hall("[mics]\nviol = «\"none\"»\n"), "write a channel"),
        (LeftOut, Hall("[outputs]\nright = { output = «\"none\"» }\n"), "write a channel"),
        (AwayUnsaid, Hall("[outputs]\nleft = { away = \"3 m\" }\nright = «2»\n"), "right = { output = 2, away"),
        (HighCeiling, Piece("{ output = 2 }", "{ output = 2, ceiling = «\"0 dB\"» }"), "\"-1 dB\""),
        (MessagesIgnored, Bytes(midi_file(0, 96, &[0, 0x90, 1, 1, 0, 0xe0, 0, 0])), "nothing to do"),
        (TooMany, Piece("{ cc = 11 }", "«PORTS»"), "leave `port` out"),
    ]
}

/// A text without its marks, and the line, column and length in characters that they enclose.
pub fn unmark(text: &str) -> (String, Option<(usize, usize, usize)>) {
    let Some((before, rest)) = text.split_once('«') else { return (text.to_owned(), None) };
    let (inside, after) = rest.split_once('»').expect("a mark that opens closes");
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or(before).chars().count() + 1;
    let length = inside.split('\n').next().unwrap_or(inside).chars().count();
    (format!("{before}{inside}{after}"), Some((line, column, length)))
}

/// The piece that a case is about, or that its hall or gestures are for.
pub fn marked_piece(place: &In) -> String {
    match place {
        // 64 ports may be told apart; the 65th is one too many.
        Piece(from, "«PORTS»") => {
            let mut lines: String = (0..64).map(|n| format!("lever{n} = {{ cc = 70, port = \"<{n}>\" }}\n")).collect();
            lines.push_str("last = { cc = 70, port = «\"last\"» }\n");
            SOUND.replace(from, "{ cc = 11 }").replace("step  =", &format!("{lines}step  ="))
        }
        Piece(from, to) => {
            assert_eq!(SOUND.matches(from).count(), 1, "{from} is in the piece exactly once");
            SOUND.replace(from, to)
        }
        Whole(text) => (*text).to_owned(),
        Lines(_) => {
            SOUND.replace("foot  = {", "loud = { loudness = \"voice\", from = \"-50 dB\", to = \"0 dB\" }\nfoot  = {")
        }
        Hall(_) | Csv(_) | Bytes(_) => SOUND.to_owned(),
    }
}
