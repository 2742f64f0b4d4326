//! The keys of the page: three roles, and a key for each.

use data_encoding::BASE32_NOPAD;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::fs;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use subtle::{Choice, ConditionallySelectable, ConstantTimeEq};

/// Bytes of a key: 80 bits, 16 letters of base32, four groups of four.
const KEY_BYTES: usize = 10;
/// Longer than any spelling of a key with blanks and hyphens.
const MOST_SPELLING: usize = 64;
/// A key file is far shorter.
const MOST_FILE: u64 = 4096;

/// What somebody at the page may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Sees everything, moves nothing.
    Watch,
    /// Sees everything and moves the one lever of their part.
    Player,
    /// May do everything.
    Desk,
}

impl Role {
    /// All of them, the one who may least first.
    pub const ALL: [Role; 3] = [Role::Watch, Role::Player, Role::Desk];

    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Role::Watch => "watch",
            Role::Player => "player",
            Role::Desk => "desk",
        }
    }
}

#[derive(Clone, Copy)]
struct Key([u8; KEY_BYTES]);

impl Key {
    fn random() -> Result<Self, getrandom::Error> {
        let mut bytes = [0; KEY_BYTES];
        getrandom::fill(&mut bytes)?;
        Ok(Self(bytes))
    }

    /// Case, hyphens and blanks do not matter.
    fn read(spelling: &str) -> Option<Self> {
        if spelling.len() > MOST_SPELLING {
            return None;
        }
        let letters = spelling.chars().filter(|letter| *letter != '-' && !letter.is_whitespace());
        let letters: String = letters.map(|letter| letter.to_ascii_uppercase()).collect();
        let bytes = BASE32_NOPAD.decode(letters.as_bytes()).ok()?;
        Some(Self(bytes.try_into().ok()?))
    }

    fn spelt(&self) -> String {
        let letters = BASE32_NOPAD.encode(&self.0);
        let groups: Vec<_> = letters.as_bytes().chunks(4).map(String::from_utf8_lossy).collect();
        groups.join("-")
    }
}

/// The key of each role. Not printed by `Debug`.
#[derive(Clone)]
pub struct RoleKeys {
    /// In the order of [`Role::ALL`].
    keys: [Key; 3],
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct KeyFile {
    watch: String,
    player: String,
    desk: String,
}

/// The key file cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("{}: {reason}; {remedy}", place.display())]
pub struct KeysError {
    /// The file.
    pub place: PathBuf,
    /// What is wrong with it.
    pub reason: String,
    /// What to do about it.
    pub remedy: String,
}

impl KeysError {
    fn damaged(place: &Path, reason: impl fmt::Display) -> Self {
        let remedy = "run with --new-keys to make new ones".to_owned();
        Self { place: place.to_owned(), reason: reason.to_string(), remedy }
    }

    fn folder(place: &Path, reason: impl fmt::Display) -> Self {
        let remedy = "see that the folder can be read and written by you".to_owned();
        Self { place: place.to_owned(), reason: reason.to_string(), remedy }
    }
}

impl RoleKeys {
    /// Three new random keys.
    ///
    /// # Errors
    /// If the system has no random numbers.
    pub fn random() -> Result<Self, getrandom::Error> {
        Ok(Self { keys: [Key::random()?, Key::random()?, Key::random()?] })
    }

    /// The keys in the file at `path`; made and written there if there is no such file, so that they stay the same
    /// over restarts.
    ///
    /// # Errors
    /// If the file is damaged, others than its owner may read it, or it cannot be read or written. A file that is
    /// there is never replaced.
    pub fn kept(path: &Path) -> Result<Self, KeysError> {
        match Self::read(path)? {
            Some(keys) => Ok(keys),
            None => {
                let keys = Self::made(path)?;
                // Two programs that start together must agree: whose file comes second takes the first's keys.
                match keys.written(path)?.persist_noclobber(path) {
                    Ok(_) => Ok(keys),
                    Err(why) if why.error.kind() == io::ErrorKind::AlreadyExists => {
                        Self::read(path)?.ok_or_else(|| KeysError::damaged(path, "the file comes and goes"))
                    }
                    Err(why) => Err(KeysError::folder(path, format!("cannot be written ({})", why.error))),
                }
            }
        }
    }

    /// The keys in the file at `path`, if it is there and whole.
    pub(crate) fn there(path: &Path) -> Option<Self> {
        Self::read(path).ok().flatten()
    }

    /// New keys, written to the file at `path` in place of what is there.
    ///
    /// # Errors
    /// If the file cannot be written.
    pub fn renewed(path: &Path) -> Result<Self, KeysError> {
        let keys = Self::made(path)?;
        let written = keys.written(path)?.persist(path);
        written.map_err(|why| KeysError::folder(path, format!("cannot be written ({})", why.error)))?;
        Ok(keys)
    }

    /// A new key for one role, written to the file at `path`; the others stay as they are there.
    ///
    /// # Errors
    /// If the file is damaged, or cannot be read or written.
    pub fn renewed_for(path: &Path, role: Role) -> Result<Self, KeysError> {
        let mut keys = Self::kept(path)?;
        // Two that renew at once go one after the other: none brings back what the other did away with.
        let _file = Self::held(path)?;
        keys = Self::read(path)?.unwrap_or(keys);
        keys.keys[role as usize] = Self::made(path)?.keys[role as usize];
        let written = keys.written(path)?.persist(path);
        written.map_err(|why| KeysError::folder(path, format!("cannot be written ({})", why.error)))?;
        Ok(keys)
    }

    /// The file, kept for this program until it is dropped.
    fn held(path: &Path) -> Result<fs::File, KeysError> {
        loop {
            let file =
                fs::File::open(path).map_err(|why| KeysError::folder(path, format!("cannot be read ({why})")))?;
            file.lock().map_err(|why| KeysError::folder(path, format!("cannot be kept for a moment ({why})")))?;
            // Whoever had it may have put another in its place, which somebody else has by now.
            if is_at(&file, path) {
                return Ok(file);
            }
        }
    }

    /// The key of `role` as one writes it: four groups of four letters or digits.
    pub fn spelt(&self, role: Role) -> String {
        self.keys[role as usize].spelt()
    }

    /// Whether both have the same key for a role.
    pub fn same(&self, other: &Self, role: Role) -> bool {
        self.keys[role as usize].0.ct_eq(&other.keys[role as usize].0).into()
    }

    /// Whose key this is. Takes equally long whichever key it is like, and however much.
    pub fn role(&self, spelling: &str) -> Option<Role> {
        let given = Key::read(spelling)?;
        let mut found = u8::MAX;
        for (role, key) in (0u8..).zip(&self.keys) {
            let same: Choice = key.0.ct_eq(&given.0);
            found.conditional_assign(&role, same);
        }
        Role::ALL.get(usize::from(found)).copied()
    }

    fn made(path: &Path) -> Result<Self, KeysError> {
        Self::random().map_err(|why| KeysError {
            place: path.to_owned(),
            reason: format!("no random numbers for new keys ({why})"),
            remedy: "start again when the system has come up".to_owned(),
        })
    }

    /// `None` if there is no such file.
    fn read(path: &Path) -> Result<Option<Self>, KeysError> {
        let unreadable = |why: io::Error| KeysError::folder(path, format!("cannot be read ({why})"));
        match fs::metadata(path) {
            Err(why) if why.kind() == io::ErrorKind::NotFound => return Ok(None),
            Err(why) => return Err(unreadable(why)),
            // A pipe would keep us waiting.
            Ok(about) if !about.is_file() => return Err(KeysError::folder(path, "is no file")),
            Ok(about) => owners_alone(path, &about)?,
        }
        let mut text = String::new();
        let file = fs::File::open(path).map_err(unreadable)?;
        match file.take(MOST_FILE).read_to_string(&mut text) {
            Err(why) if why.kind() == io::ErrorKind::InvalidData => return Err(KeysError::damaged(path, "is no text")),
            read => read.map_err(unreadable)?,
        };
        // The parser's own message shows the line, and so perhaps a key.
        let file: KeyFile = toml::from_str(&text).map_err(|why: toml::de::Error| {
            KeysError::damaged(path, format!("does not hold the keys watch, player and desk ({})", why.message()))
        })?;
        let key = |name: &str, spelling: &str| {
            Key::read(spelling).ok_or_else(|| KeysError::damaged(path, format!("the key {name} is not whole")))
        };
        let keys = [key("watch", &file.watch)?, key("player", &file.player)?, key("desk", &file.desk)?];
        let [watch, player, desk] = keys.map(|key| key.0);
        if watch == player || player == desk || desk == watch {
            return Err(KeysError::damaged(path, "two roles have the same key"));
        }
        Ok(Some(Self { keys }))
    }

    /// A whole file beside `path`, readable by its owner alone, that only needs its name.
    fn written(&self, path: &Path) -> Result<tempfile::NamedTempFile, KeysError> {
        let failed = |why: io::Error| KeysError::folder(path, format!("cannot be written ({why})"));
        let [watch, player, desk] = Role::ALL.map(|role| self.spelt(role));
        let text = toml::to_string(&KeyFile { watch, player, desk })
            .map_err(|why| KeysError::folder(path, format!("cannot be written ({why})")))?;
        let folder = match path.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        make_folder(folder).map_err(failed)?;
        // A temporary file has mode 0600 on Unix from its beginning.
        let mut file = tempfile::NamedTempFile::new_in(folder).map_err(failed)?;
        file.write_all(b"# Keys of the page. Whoever has one may do what its role may: keep them to yourself.\n")
            .and_then(|()| file.write_all(text.as_bytes()))
            .and_then(|()| file.as_file().sync_all())
            .map_err(failed)?;
        Ok(file)
    }
}

impl fmt::Debug for RoleKeys {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("RoleKeys").finish_non_exhaustive()
    }
}

#[cfg(unix)]
fn owners_alone(path: &Path, about: &fs::Metadata) -> Result<(), KeysError> {
    use std::os::unix::fs::PermissionsExt;
    let mode = about.permissions().mode() & 0o777;
    if mode & 0o077 == 0 {
        return Ok(());
    }
    let reason = format!("others than you may read or write it (mode {mode:03o})");
    Err(KeysError::damaged(path, reason))
}

#[cfg(not(unix))]
fn owners_alone(_: &Path, _: &fs::Metadata) -> Result<(), KeysError> {
    Ok(())
}

/// Whether a file that is open still has its name.
#[cfg(unix)]
fn is_at(file: &fs::File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let which = |about: fs::Metadata| (about.dev(), about.ino());
    file.metadata().is_ok_and(|one| fs::metadata(path).is_ok_and(|other| which(one) == which(other)))
}

#[cfg(not(unix))]
fn is_at(_: &fs::File, _: &Path) -> bool {
    true
}

fn make_folder(folder: &Path) -> io::Result<()> {
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(folder)
}

/// Where the keys are kept unless one says otherwise: `tenterhook/keys.toml` in the folder of the user's settings.
/// `None` if the user has no home.
pub fn default_keys_path() -> Option<PathBuf> {
    use etcetera::BaseStrategy;
    let base = etcetera::choose_base_strategy().ok()?;
    Some(base.config_dir().join("tenterhook").join("keys.toml"))
}

/// Whom the page lets in.
#[derive(Clone, Debug)]
pub enum Access {
    /// Whoever sits at this machine, as desk, without a key; nobody from elsewhere.
    Anyone,
    /// Whoever has a key, from anywhere. The keys do not change.
    Keys(RoleKeys),
    /// The same by the keys of a file, which were read from it: what changes there holds from then on.
    Kept(RoleKeys, PathBuf),
}

#[cfg(test)]
mod tests;
