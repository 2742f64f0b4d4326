//! `invite`, and who may see the page of a run: how others in the hall are let in.
//!
//! Keys are shown on a terminal only. What goes into a file or to another program may be read by anybody later, and the
//! desk's key is shown only to whoever asks for it by name: a screen in a hall is seen by many.

use std::io::IsTerminal;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};

use tenterhook_page::{Access, Invite, Reached, Role, RoleKeys};

use crate::cli::{self, PageOptions};
use crate::failure::Failure;
use crate::say::{print, say, show};

/// Where the page is, unless told otherwise.
const ADDRESS: SocketAddr = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 4150);

/// Shows how to come in as each of the roles that were asked for.
pub fn run(asked: &cli::Invite) -> Result<(), Failure> {
    let file = file()?;
    let mut roles: Vec<Role> = asked.roles.iter().map(|role| role.of_the_page()).collect();
    if roles.is_empty() {
        roles = vec![Role::Player, Role::Watch];
    }
    // The one that lets in to most never stands last.
    roles.sort_unstable_by_key(|role| std::cmp::Reverse(*role as u8));
    roles.dedup();
    let mut keys = RoleKeys::kept(&file).map_err(Failure::asked)?;
    if asked.new_key {
        for role in &roles {
            keys = RoleKeys::renewed_for(&file, *role).map_err(Failure::asked)?;
        }
        let names: Vec<_> = roles.iter().map(|role| role.name()).collect();
        say(format_args!("New key made for: {}. Whoever came in by the old one is out.", names.join(", ")));
    }
    if !std::io::stdout().is_terminal() {
        let words = hidden(&file);
        if !asked.new_key {
            return Err(Failure::Asked(words));
        }
        // What was asked for has been done all the same.
        say(words);
        return Ok(());
    }
    let at = asked.page.unwrap_or_else(everywhere);
    let Some(reached) = Reached::found(at).map_err(Failure::running)? else {
        return Err(Failure::Asked("this machine is in no network: nobody else reaches the page".to_owned()));
    };
    for role in &roles {
        print(&Invite::new(&keys, *role, reached.likeliest).to_string())?;
    }
    print(&others(&reached))?;
    if roles.contains(&Role::Desk) {
        print("The desk's key is on this screen: clear it before others look at it.\n")?;
    }
    Ok(())
}

fn hidden(file: &Path) -> String {
    format!("keys are shown on a terminal only, and kept in {}: run this in a terminal", file.display())
}

fn others(reached: &Reached) -> String {
    let others: Vec<_> = reached.others.iter().map(SocketAddr::to_string).collect();
    if others.is_empty() {
        String::new()
    } else {
        format!("If that address is not the hall's: {}.\n", others.join(", "))
    }
}

/// All of this machine's addresses.
fn everywhere() -> SocketAddr {
    SocketAddr::new(Ipv4Addr::UNSPECIFIED.into(), ADDRESS.port())
}

fn file() -> Result<PathBuf, Failure> {
    tenterhook_page::default_keys_path()
        .ok_or_else(|| Failure::asked("there is no home folder to keep the page's keys in: set HOME"))
}

/// Where the page of a run is to be, and who may see it.
pub fn access(options: &PageOptions) -> Result<(SocketAddr, Access), Failure> {
    if !options.share {
        let address = options.page.unwrap_or(ADDRESS);
        if !address.ip().is_loopback() {
            return Err(Failure::Asked(format!(
                "at {address} others could reach the page: --share lets them, each with a key"
            )));
        }
        return Ok((address, Access::Anyone));
    }
    let file = file()?;
    let keys = if options.new_keys { RoleKeys::renewed(&file) } else { RoleKeys::kept(&file) };
    Ok((options.page.unwrap_or_else(everywhere), Access::Kept(keys.map_err(Failure::asked)?, file)))
}

/// Says where the page is that is served at `address`, and how others in the hall come in; gives the likeliest address.
pub fn tell(access: &Access, address: SocketAddr, options: &PageOptions) -> Result<SocketAddr, Failure> {
    let (keys, file) = match access {
        Access::Kept(keys, file) => (keys, file),
        Access::Keys(_) | Access::Anyone => {
            say(format_args!("The page is at http://{address}/."));
            return Ok(address);
        }
    };
    let Some(reached) = Reached::found(address).map_err(Failure::running)? else {
        say("caution: this machine is in no network: nobody else reaches the page.");
        return Ok(SocketAddr::new(Ipv4Addr::LOCALHOST.into(), address.port()));
    };
    let at = options.page.map_or_else(String::new, |_| format!(" --page {}", reached.likeliest));
    if std::io::stderr().is_terminal() {
        // What is said last stays on the screen: the one that lets in to least.
        for role in [Role::Player, Role::Watch] {
            // Keys are for people only.
            show(Invite::new(keys, role, reached.likeliest));
        }
        say(format_args!(
            "{}The desk's key: `tenterhook invite desk{at}` shows it, in another terminal.",
            others(&reached)
        ));
    } else {
        say(format_args!(
            "The page is at http://{}/, for those who have a key. Keys are shown on a terminal only: `tenterhook invite \
             desk{at}` shows the desk's, `tenterhook invite{at}` those for players and to watch; they are kept in {}.",
            reached.likeliest,
            file.display(),
        ));
    }
    say("The hall's network carries the page and its keys unencrypted: use one that you know.");
    Ok(reached.likeliest)
}
