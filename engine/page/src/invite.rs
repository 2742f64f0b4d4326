//! How others in the hall reach the page: its addresses, with the keys, to read and to photograph.

use crate::access::{Role, RoleKeys};
use qrcode::render::svg;
use qrcode::render::unicode::Dense1x2;
use qrcode::{EcLevel, QrCode};
use std::fmt;
use std::io;
use std::net::{IpAddr, SocketAddr};

/// Where others in the hall reach a page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reached {
    /// The likeliest address.
    pub likeliest: SocketAddr,
    /// The others, of this machine's other networks.
    pub others: Vec<SocketAddr>,
}

impl Reached {
    /// Of a page that is served at `at`. `None` if this machine is in no network. Addresses of the machine's own link
    /// count only when there are no others.
    ///
    /// # Errors
    /// If the system does not tell.
    pub fn found(at: SocketAddr) -> io::Result<Option<Self>> {
        if !at.ip().is_unspecified() {
            return Ok(Some(Self { likeliest: at, others: Vec::new() }));
        }
        let interfaces = if_addrs::get_if_addrs()?;
        let all = reachable(interfaces.iter().map(if_addrs::Interface::ip));
        let mut all =
            all.into_iter().filter(|ip| ip.is_ipv4() == at.is_ipv4()).map(|ip| SocketAddr::new(ip, at.port()));
        Ok(all.next().map(|likeliest| Self { likeliest, others: all.collect() }))
    }

    /// The same, or `None` if the system does not tell.
    pub(crate) fn at(at: SocketAddr) -> Option<Self> {
        Self::found(at).ok().flatten()
    }
}

fn reachable(all: impl IntoIterator<Item = IpAddr>) -> Vec<IpAddr> {
    // An IPv6 address of the link needs the name of the interface, for which a browser's address has no room.
    let (link, mut far): (Vec<_>, Vec<_>) = all
        .into_iter()
        .filter(|ip| !ip.is_loopback() && !ip.is_unspecified() && !ip.is_multicast())
        .filter(|ip| !matches!(ip, IpAddr::V6(six) if six.is_unicast_link_local()))
        .partition(|ip| matches!(ip, IpAddr::V4(four) if four.is_link_local()));
    if far.is_empty() {
        far = link;
    }
    let likelihood = |ip: &IpAddr| match ip {
        IpAddr::V4(four) if four.is_private() => 0,
        IpAddr::V4(_) => 1,
        IpAddr::V6(_) => 2,
    };
    far.sort_by_key(|ip| (likelihood(ip), *ip));
    far.dedup();
    far
}

/// What lets one person in. Printed, it says what the role may do, the address, and the address as QR code.
#[derive(Clone, PartialEq, Eq)]
pub struct Invite {
    role: Role,
    address: String,
}

impl Invite {
    /// Lets whoever has it in as `role`, at `at`.
    pub fn new(keys: &RoleKeys, role: Role, at: SocketAddr) -> Self {
        // Browsers send no fragment: the key stands in nobody's log.
        Self { role, address: format!("http://{at}/#key={}", keys.spelt(role)) }
    }

    /// The page's address with the key in its fragment.
    pub fn address(&self) -> &str {
        &self.address
    }

    /// What the role may do.
    pub fn words(&self) -> &'static str {
        match self.role {
            Role::Watch => "watch: sees scores, scenes and levels; moves nothing",
            Role::Player => "player: sees everything and moves the one lever of their own part; fires no scene",
            Role::Desk => "desk: may do everything: fire scenes, hush, mute, ride levels. For nobody but the desk",
        }
    }

    /// The address as QR code, a picture of its own.
    pub fn svg(&self) -> String {
        let Ok(code) = QrCode::with_error_correction_level(&self.address, EcLevel::M) else { return String::new() };
        code.render::<svg::Color<'_>>().min_dimensions(240, 240).quiet_zone(true).build()
    }

    /// The address as QR code in half blocks, with its quiet zone; every line ends with a newline.
    ///
    /// The light squares are drawn, so that the code is the right way round on a terminal with light letters on dark
    /// ground. On dark letters it is inverted, which most but not all cameras read.
    pub fn qr(&self) -> String {
        // An address has some 60 bytes, a code takes thousands.
        let Ok(code) = QrCode::with_error_correction_level(&self.address, EcLevel::M) else { return String::new() };
        let mut text =
            code.render::<Dense1x2>().dark_color(Dense1x2::Light).light_color(Dense1x2::Dark).quiet_zone(true).build();
        text.push('\n');
        text
    }
}

impl fmt::Display for Invite {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}\n{}\n{}", self.words(), self.address, self.qr())
    }
}

impl fmt::Debug for Invite {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Invite").field("role", &self.role).finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests;
