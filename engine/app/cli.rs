//! The command line.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};
use tenterhook_config::Host;
use tenterhook_notes::Step;
use tenterhook_page::Role;
use tenterhook_plan::shown;

use crate::say::say_lines;

/// Live processing for acoustic ensembles: stretch, reverse and freeze each player's sound while it is played.
///
/// Caution: loudspeakers and headphones can injure hearing. Start with everything turned down, and follow your local
/// rules and your licensed technicians.
#[derive(Debug, Parser)]
#[command(version, max_term_width = 100)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What the program can do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Plays the bundled piece with a made-up ensemble
    Demo(Demo),
    /// Plays a piece live: the show
    Play(Play),
    /// Plays a piece live, and opens the page on the meters: the hall's hour
    Soundcheck(Play),
    /// Plays a piece from a recording, as fast as the machine goes
    Rehearse(Rehearse),
    /// Shows how others come in to the page of a run with --share: address, key and code, on a terminal only
    Invite(Invite),
    /// Shows every error and every caution of a piece, and with --doors what on this machine may ruin the show
    Check(Check),
    /// Listens until a pedal is pressed, and writes into the hall file by what it is reached
    Learn(Learn),
    /// Prints the schema by which an editor completes and checks a piece or a hall while it is written
    Schema(Schema),
    /// Tells how much of this machine a piece takes, at each block size
    Load(Load),
    /// Lists the audio and MIDI devices of this machine, by the names to write in a hall file
    Devices(Devices),
    /// Tells what a sound is made of, and writes it out as notes for players, a spectrum file and a picture
    Spectrum(Spectrum),
    /// Lists or prints the bundled pieces, ready to copy: the demo's, and one on one idea for each effect
    Etudes(Etudes),
    /// Prints of whose work the program is built, under which licences, with their notices
    Licences,
}

/// Where the page is, and who may see it.
#[derive(Clone, Debug, Args)]
pub struct PageOptions {
    /// The address and port at which the page is served; 127.0.0.1:4150 without it
    #[arg(long, value_name = "ADDRESS", value_parser = address)]
    pub page: Option<SocketAddr>,
    /// Serves no page
    #[arg(long, conflicts_with_all = ["page", "share", "new_keys"])]
    pub no_page: bool,
    /// Opens the page to the hall's network, to those who have one of three keys: for the desk, for players, to watch.
    /// The keys stay the same from run to run; `tenterhook invite` shows them
    #[arg(long)]
    pub share: bool,
    /// Makes three new keys: whoever has an old one is shut out. `tenterhook invite ROLE --new-key` renews one
    #[arg(long, requires = "share")]
    pub new_keys: bool,
}

/// Arguments of `invite`.
#[derive(Debug, Args)]
pub struct Invite {
    /// As what; without it player and watch. The desk's is shown only when it is named: see who looks at the screen
    #[arg(value_name = "ROLE", value_enum, required_if_eq("new_key", "true"))]
    pub roles: Vec<As>,
    /// Makes a new key for the roles that are named, also while a piece is played: whoever came in by the old one is out
    /// at once, all others stay
    #[arg(long)]
    pub new_key: bool,
    /// The address and port at which the page is served, if the run has --page
    #[arg(long, value_name = "ADDRESS", value_parser = address)]
    pub page: Option<SocketAddr>,
}

/// As what somebody comes in to the page.
#[derive(Clone, Copy, Debug, clap::ValueEnum)]
pub enum As {
    /// Does everything
    Desk,
    /// Sees everything and moves the one lever of their part
    Player,
    /// Sees everything
    Watch,
}

impl As {
    /// The page's word for it.
    pub fn of_the_page(self) -> Role {
        match self {
            As::Desk => Role::Desk,
            As::Player => Role::Player,
            As::Watch => Role::Watch,
        }
    }
}

/// How a run that broke off is taken up again.
#[derive(Clone, Debug, Args)]
pub struct JournalOptions {
    /// Keeps in this file where the run stands, so that one that breaks off can be taken up again; without it a file of
    /// the piece's own in your state folder
    #[arg(long, value_name = "FILE")]
    pub journal: Option<PathBuf>,
    /// Keeps no journal, and takes nothing up again
    #[arg(long, conflicts_with_all = ["journal", "fresh"])]
    pub no_journal: bool,
    /// Begins afresh, whatever the run before left
    #[arg(long)]
    pub fresh: bool,
}

/// Who may work the show by OSC, and who is told of it.
#[derive(Clone, Debug, Default, Args)]
pub struct OscOptions {
    /// Listens for OSC at this address and port, for everything that can be worked; whoever reaches it can work the show.
    /// Without it only what the piece itself asks for is listened for, at 127.0.0.1:4151
    #[arg(long, value_name = "ADDRESS", value_parser = address)]
    pub osc: Option<SocketAddr>,
    /// Tells gestures, scenes, meters, pitch and onsets to this host by OSC, as in 192.168.1.20:4151; may be given again.
    /// Lights and mechanical instruments that follow can do harm: follow your local rules and your licensed technicians
    #[arg(long, value_name = "HOST:PORT")]
    pub osc_to: Vec<String>,
}

/// Arguments of `demo`.
#[derive(Debug, Args)]
pub struct Demo {
    /// Writes the demo to this WAV file instead of playing it; `-` is standard output
    #[arg(long, value_name = "WAV", conflicts_with_all = ["host", "log", "page", "no_page", "share", "new_keys"])]
    pub out: Option<PathBuf>,
    /// Lets --out write over a file that is there
    #[arg(long, requires = "out")]
    pub replace: bool,
    /// Where the blocks come from
    #[arg(long, value_name = "HOST", value_parser = host())]
    pub host: Option<Host>,
    /// Keeps mics, outputs and gestures of the run in this folder
    #[arg(long, value_name = "DIR")]
    pub log: Option<PathBuf>,
    /// The page
    #[command(flatten)]
    pub page: PageOptions,
    /// Tells what happens as lines of JSON on standard output
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `play` and `soundcheck`.
#[derive(Debug, Args)]
pub struct Play {
    /// The piece; `-` is standard input
    #[arg(value_name = "PIECE")]
    pub piece: PathBuf,
    /// The hall that maps the piece onto this venue's equipment
    #[arg(long, value_name = "HALL")]
    pub hall: Option<PathBuf>,
    /// The rehearsal mark of the scene to begin with
    #[arg(long, value_name = "MARK")]
    pub from: Option<String>,
    /// Where the blocks come from; without it the hall's device, else a running JACK server, else the system's default
    /// device, else the built-in clock
    #[arg(long, value_name = "HOST", value_parser = host())]
    pub host: Option<Host>,
    /// Keeps mics, outputs and gestures of the run in this folder. Recording people needs their consent
    #[arg(long, value_name = "DIR")]
    pub log: Option<PathBuf>,
    /// OSC
    #[command(flatten)]
    pub osc: OscOptions,
    /// Leaves the JACK ports unconnected
    #[arg(long)]
    pub no_connect: bool,
    /// Watches piece, hall and the files that the piece names: what is saved takes over while it plays
    #[arg(long)]
    pub follow: bool,
    /// The journal
    #[command(flatten)]
    pub journal: JournalOptions,
    /// The page
    #[command(flatten)]
    pub page: PageOptions,
    /// Tells what happens as lines of JSON on standard output
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `rehearse`.
#[derive(Debug, Args)]
pub struct Rehearse {
    /// The piece; `-` is standard input
    #[arg(value_name = "PIECE")]
    pub piece: PathBuf,
    /// The recording: channel n of this WAV file is input n
    #[arg(long, value_name = "WAV", required_unless_present = "take", conflicts_with = "take")]
    pub mics: Option<PathBuf>,
    /// The folder of a run that was kept with `--log`: its mics, its gestures, its hall
    #[arg(long, value_name = "TAKE")]
    pub take: Option<PathBuf>,
    /// The hall
    #[arg(long, value_name = "HALL")]
    pub hall: Option<PathBuf>,
    /// The rehearsal mark of the scene to begin with
    #[arg(long, value_name = "MARK")]
    pub from: Option<String>,
    /// The gestures: CSV or a Standard MIDI File; `-` is standard input
    #[arg(long, value_name = "GESTURES")]
    pub gestures: Option<PathBuf>,
    /// Writes the outputs to this WAV file; `-` is standard output
    #[arg(long, value_name = "WAV")]
    pub out: Option<PathBuf>,
    /// Lets --out write over a file that is there, never over what the rehearsal is made from
    #[arg(long, requires = "out")]
    pub replace: bool,
    /// Frames a block: it changes nothing in the sound
    #[arg(long, value_name = "N", default_value_t = 1024, value_parser = clap::value_parser!(u32).range(1..=8192))]
    pub block: u32,
    /// How long to go on after the recording's end, in silence, as in "5 s"
    #[arg(long, value_name = "TIME", value_parser = seconds)]
    pub tail: Option<f64>,
    /// Plays in real time through the device, instead of as fast as the machine goes
    #[arg(long, conflicts_with_all = ["out", "block"])]
    pub aloud: bool,
    /// Where the blocks come from, with --aloud
    #[arg(long, value_name = "HOST", value_parser = host(), requires = "aloud")]
    pub host: Option<Host>,
    /// Watches piece, hall and the files that the piece names: what is saved takes over while it plays; with --aloud
    #[arg(long, requires = "aloud")]
    pub follow: bool,
    /// The page, with --aloud
    #[command(flatten)]
    pub page: PageOptions,
    /// Prints the summary as JSON; with --aloud, what happens as lines of JSON
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `check`.
#[derive(Debug, Args)]
pub struct Check {
    /// The piece; `-` is standard input
    #[arg(value_name = "PIECE")]
    pub piece: PathBuf,
    /// The hall
    #[arg(long, value_name = "HALL")]
    pub hall: Option<PathBuf>,
    /// Before the doors open: looks as well at what on this machine may ruin the show, the hall's device among it. It writes
    /// 64 MB for a moment
    #[arg(long)]
    pub doors: bool,
    /// The folder in which the show's log will be; without it the one in which the program runs
    #[arg(long, value_name = "DIR", requires = "doors")]
    pub log: Option<PathBuf>,
    /// Prints what was found as JSON
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `learn`.
#[derive(Debug, Args)]
pub struct Learn {
    /// The piece
    #[arg(value_name = "PIECE")]
    pub piece: PathBuf,
    /// The controller of the piece that is to be reached
    #[arg(value_name = "CONTROLLER")]
    pub controller: String,
    /// The hall file that is written into; it need not be there yet
    #[arg(long, value_name = "HALL")]
    pub hall: PathBuf,
    /// The address and port at which OSC is listened for
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:4151", value_parser = address)]
    pub osc: SocketAddr,
    /// Tells what happens as lines of JSON on standard output
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `schema`.
#[derive(Debug, Args)]
pub struct Schema {
    /// Of what
    #[arg(value_name = "OF", value_enum, default_value = "piece")]
    pub of: SchemaOf,
}

/// What there is a schema of.
#[derive(Clone, Copy, Debug, clap::ValueEnum)]
pub enum SchemaOf {
    /// A piece
    Piece,
    /// A hall
    Hall,
}

/// Arguments of `load`.
#[derive(Debug, Args)]
pub struct Load {
    /// The piece; `-` is standard input
    #[arg(value_name = "PIECE")]
    pub piece: PathBuf,
    /// The hall
    #[arg(long, value_name = "HALL")]
    pub hall: Option<PathBuf>,
    /// Only this many frames a block, instead of 32, 64, 128 and 256
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=8192))]
    pub block: Option<u32>,
    /// Samples a second; without it the hall's, else 48000
    #[arg(long, value_name = "HZ", value_parser = clap::value_parser!(u32).range(8000..=192_000))]
    pub rate: Option<u32>,
    /// How often the same is played: the least time of each block counts. Without it as often as 20 s hold, 3 times
    /// at least and 8 at most
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=1000))]
    pub runs: Option<u32>,
    /// Prints the figures as JSON
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `devices`.
#[derive(Debug, Args)]
pub struct Devices {
    /// Prints the list as JSON
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `spectrum`.
#[derive(Debug, Args)]
pub struct Spectrum {
    /// The sound: a WAV, AIFF, FLAC, OGG or MP3 file, or the folder of a run that was kept with `--log`. Without it a mic
    /// is listened to
    #[arg(value_name = "SOUND", required_unless_present = "mic")]
    pub sound: Option<PathBuf>,
    /// One mic: of a run by its name in the piece, of a file or of the device by its channel, counted from 1. Of a file
    /// without it the mean of all channels
    #[arg(long, value_name = "MIC")]
    pub mic: Option<String>,
    /// Where to begin, as in "1.2 s"; in a run also a rehearsal mark
    #[arg(long, value_name = "TIME", requires = "sound")]
    pub from: Option<String>,
    /// Where to end, likewise
    #[arg(long, value_name = "TIME", requires = "sound")]
    pub to: Option<String>,
    /// How long a mic is listened to, as in "8 s"; 5 s without it
    #[arg(long, value_name = "TIME", value_parser = seconds, conflicts_with = "sound")]
    pub listen: Option<f64>,
    /// Where the mic is
    #[arg(long, value_name = "HOST", value_parser = host(), conflicts_with = "sound")]
    pub host: Option<Host>,
    #[arg(long = "for", value_name = "PLAYERS", value_delimiter = ',', help = crate::commands::spectrum::help_on_players())]
    pub players: Vec<String>,
    /// How finely pitch is written; exact: the nearest semitone, and the cents above it in words
    #[arg(long, value_name = "STEP", default_value = "quarter-tone", value_parser = crate::commands::spectrum::step)]
    pub step: Step,
    /// Lets partials be played one or more octaves away, where nobody has them in range
    #[arg(long)]
    pub octaves: bool,
    /// Writes the sound's steady moments one after the other in their own time, instead of one held chord
    #[arg(long)]
    pub timed: bool,
    /// The piece that the notes are for: its tuning, and its [players]. That of a run is known
    #[arg(long, value_name = "PIECE")]
    pub piece: Option<PathBuf>,
    /// The hall that it is played in
    #[arg(long, value_name = "HALL", requires = "piece")]
    pub hall: Option<PathBuf>,
    /// The frequency of a', as in "415 Hz"; without it that of the piece, else 440 Hz
    #[arg(long, value_name = "HZ", value_parser = tuning)]
    pub tuning: Option<f64>,
    /// Writes notes, table, spectrum file and picture into this folder, over nothing that is there
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Lets --out write over files that are there
    #[arg(long, requires = "out")]
    pub replace: bool,
    /// Prints the moment as JSON
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `etudes`.
#[derive(Debug, Args)]
pub struct Etudes {
    /// The one to print; without it all are listed
    #[arg(value_name = "NAME")]
    pub name: Option<String>,
    /// Writes it and the files that it names into this folder instead, over nothing that is there
    #[arg(long, value_name = "FOLDER", requires = "name")]
    pub to: Option<PathBuf>,
    /// Lets --to write over files that are there
    #[arg(long, requires = "to")]
    pub replace: bool,
    /// Prints the list as JSON
    #[arg(long, conflicts_with = "name")]
    pub json: bool,
}

/// Reads the arguments that the program was given; what is wrong with them ends it. Signs in them that would work a
/// terminal are spelled out.
pub fn parse() -> Cli {
    Cli::try_parse().unwrap_or_else(|why| {
        let hidden = |argument: std::ffi::OsString| shown(&argument.to_string_lossy()) != argument.to_string_lossy();
        if why.use_stderr() && std::env::args_os().any(hidden) {
            say_lines(why.render().to_string().trim_end());
            std::process::exit(why.exit_code());
        }
        why.exit()
    })
}

/// An address in numbers, and a port.
fn address(text: &str) -> Result<SocketAddr, String> {
    text.parse().map_err(|_| {
        let port = text.rsplit(':').next().and_then(|port| port.parse::<u16>().ok()).unwrap_or(4150);
        format!("write an address in numbers and a port, as in 127.0.0.1:{port}")
    })
}

fn host() -> impl clap::builder::TypedValueParser<Value = Host> {
    use clap::builder::TypedValueParser;
    // The names are the only values that get as far as this.
    let named = |name: String| Host::named(&name).ok_or("no such host");
    clap::builder::PossibleValuesParser::new(Host::ALL.map(Host::name)).try_map(named)
}

fn tuning(text: &str) -> Result<f64, String> {
    let hz = text.trim().strip_suffix("Hz").unwrap_or("").trim().parse().ok();
    hz.filter(|hz| (200.0..=900.0).contains(hz)).ok_or("write it as \"415 Hz\", from 200 Hz to 900 Hz".to_owned())
}

fn seconds(text: &str) -> Result<f64, String> {
    tenterhook_config::seconds(text)
}
