use super::*;

fn path(folder: &tempfile::TempDir) -> PathBuf {
    folder.path().join("deep").join("keys.toml")
}

fn spelt(keys: &RoleKeys) -> [String; 3] {
    Role::ALL.map(|role| keys.spelt(role))
}

fn put(path: &Path, text: &[u8]) {
    let _ = RoleKeys::renewed(path).unwrap();
    fs::write(path, text).unwrap();
}

#[test]
fn every_key_opens_its_own_role_however_it_is_typed() {
    let keys = RoleKeys::random().unwrap();
    for role in Role::ALL {
        let key = keys.spelt(role);
        assert_eq!(key.len(), 19, "{key}");
        assert!(key.split('-').all(|group| group.len() == 4), "{key}");
        assert_eq!(keys.role(&key), Some(role));
        assert_eq!(keys.role(&key.to_lowercase().replace('-', " ")), Some(role));
        assert_eq!(keys.role(&format!(" {} ", key.replace('-', ""))), Some(role));
    }
}

#[test]
fn no_other_key_opens_anything() {
    let keys = RoleKeys::random().unwrap();
    let other = RoleKeys::random().unwrap();
    for role in Role::ALL {
        assert_eq!(keys.role(&other.spelt(role)), None);
        let key = keys.spelt(role);
        assert_eq!(keys.role(&key[..18]), None, "one letter short");
        assert_eq!(keys.role(&format!("{key}A")), None, "one letter more");
        let mut bent = keys.keys[role as usize];
        bent.0[9] ^= 1;
        assert_eq!(keys.role(&bent.spelt()), None, "one bit off");
    }
    for senseless in ["", "-", "0189-0189-0189-0189", "\u{e9}", &"A".repeat(100_000)] {
        assert_eq!(keys.role(senseless), None);
    }
}

#[test]
fn keys_stay_the_same_over_restarts_until_they_are_renewed() {
    let folder = tempfile::tempdir().unwrap();
    let first = spelt(&RoleKeys::kept(&path(&folder)).unwrap());
    assert_eq!(spelt(&RoleKeys::kept(&path(&folder)).unwrap()), first);
    let renewed = spelt(&RoleKeys::renewed(&path(&folder)).unwrap());
    assert!(renewed.iter().all(|key| !first.contains(key)));
    assert_eq!(spelt(&RoleKeys::kept(&path(&folder)).unwrap()), renewed);
    let files = fs::read_dir(path(&folder).parent().unwrap()).unwrap().count();
    assert_eq!(files, 1, "nothing is left beside the file");
}

#[test]
fn programs_that_start_together_agree_on_the_keys() {
    let folder = tempfile::tempdir().unwrap();
    let path = path(&folder);
    let all: Vec<_> = std::thread::scope(|scope| {
        let starts: Vec<_> = (0..8).map(|_| scope.spawn(|| spelt(&RoleKeys::kept(&path).unwrap()))).collect();
        starts.into_iter().map(|start| start.join().unwrap()).collect()
    });
    assert!(all.iter().all(|keys| *keys == all[0]), "{all:?}");
}

#[test]
fn keys_that_are_renewed_at_once_do_not_bring_back_each_others_old_ones() {
    let folder = tempfile::tempdir().unwrap();
    let path = path(&folder);
    let first = RoleKeys::kept(&path).unwrap();
    let renewed = std::thread::scope(|scope| {
        let renew = |role| {
            let path = &path;
            scope.spawn(move || {
                (0..40).fold(String::new(), |_, _| RoleKeys::renewed_for(path, role).unwrap().spelt(role))
            })
        };
        Role::ALL.map(renew).map(|thread| thread.join().unwrap())
    });
    assert_eq!(spelt(&RoleKeys::kept(&path).unwrap()), renewed);
    assert!(Role::ALL.iter().zip(&renewed).all(|(role, new)| first.spelt(*role) != *new));
}

#[test]
fn a_damaged_file_is_one_clear_error_and_stays_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let path = path(&folder);
    let whole = {
        let _ = RoleKeys::kept(&path).unwrap();
        fs::read_to_string(&path).unwrap()
    };
    let key = RoleKeys::kept(&path).unwrap().spelt(Role::Desk);
    let same = format!("watch = \"{key}\"\nplayer = \"{key}\"\ndesk = \"{key}\"\n");
    let broken = [&b""[..], b"\xff\xfe", b"watch = 3", same.as_bytes(), &whole.as_bytes()[..whole.len() - 4]];
    for text in broken {
        put(&path, text);
        let why = RoleKeys::kept(&path).unwrap_err();
        let words = why.to_string();
        assert_eq!(why.place, path);
        assert!(words.contains("run with --new-keys to make new ones"), "{words}");
        assert!(!words.contains(&key[..9]), "an error shows no key: {words}");
        assert_eq!(fs::read(&path).unwrap(), text, "never replaced");
    }
    // And every shorter file, as if the disk had been full.
    for cut in 0..whole.trim_end().len() {
        put(&path, &whole.as_bytes()[..cut]);
        assert!(RoleKeys::kept(&path).is_err(), "cut at {cut}");
    }
}

#[test]
fn a_folder_in_place_of_the_file_is_an_error() {
    let folder = tempfile::tempdir().unwrap();
    assert!(RoleKeys::kept(folder.path()).unwrap_err().to_string().contains("is no file"));
}

#[cfg(unix)]
#[test]
fn nobody_but_the_owner_may_read_the_file() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    let path = path(&folder);
    let _ = RoleKeys::kept(&path).unwrap();
    let mode = |path: &Path| fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&path), 0o600);
    assert_eq!(mode(path.parent().unwrap()), 0o700);
    for open in [0o644, 0o640, 0o602] {
        fs::set_permissions(&path, fs::Permissions::from_mode(open)).unwrap();
        let words = RoleKeys::kept(&path).unwrap_err().to_string();
        assert!(words.contains("others than you") && words.contains("--new-keys"), "{words}");
    }
    let _ = RoleKeys::renewed(&path).unwrap();
    assert_eq!(mode(&path), 0o600);
}

#[test]
fn printing_for_debugging_shows_no_key() {
    let keys = RoleKeys::random().unwrap();
    let shown = format!("{keys:?} {:?}", Access::Keys(keys.clone()));
    for role in Role::ALL {
        assert!(!shown.contains(&keys.spelt(role)[..4]), "{shown}");
        assert!(!shown.contains(&format!("{:?}", keys.keys[role as usize].0)), "{shown}");
    }
}

#[test]
fn roles_are_spelt_in_small_letters() {
    assert_eq!(serde_json::to_string(&Role::ALL).unwrap(), r#"["watch","player","desk"]"#);
}

#[test]
fn the_keys_lie_in_a_folder_of_their_own() {
    if let Some(path) = default_keys_path() {
        assert!(path.ends_with("tenterhook/keys.toml"), "{}", path.display());
    }
}
