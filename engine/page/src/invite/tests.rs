use super::*;

fn addresses(all: &[&str]) -> Vec<IpAddr> {
    all.iter().map(|ip| ip.parse().unwrap()).collect()
}

#[test]
fn the_hall_sees_neither_loopback_nor_the_links_own_addresses() {
    let all = ["127.0.0.1", "::1", "fe80::1", "2001:db8::7", "169.254.3.4", "203.0.113.5", "192.168.1.20", "10.0.0.2"];
    let seen = ["10.0.0.2", "192.168.1.20", "203.0.113.5", "2001:db8::7"];
    assert_eq!(reachable(addresses(&all)), addresses(&seen));
}

#[test]
fn a_cable_without_a_router_has_its_links_own_address() {
    assert_eq!(reachable(addresses(&["127.0.0.1", "fe80::1", "169.254.3.4"])), addresses(&["169.254.3.4"]));
    assert!(reachable(addresses(&["127.0.0.1", "::1"])).is_empty());
}

#[test]
fn this_machines_addresses_are_none_of_its_own_loopback() {
    let everywhere = Reached::found("0.0.0.0:4150".parse().unwrap()).unwrap();
    let all = everywhere.iter().flat_map(|reached| reached.others.iter().chain([&reached.likeliest]));
    for at in all {
        assert!(!at.ip().is_loopback() && at.port() == 4150, "{at}");
    }
    let one = "127.0.0.1:4150".parse().unwrap();
    assert_eq!(Reached::found(one).unwrap(), Some(Reached { likeliest: one, others: Vec::new() }), "as it was asked");
}

#[test]
fn the_address_has_the_roles_key_in_its_fragment() {
    let keys = RoleKeys::random().unwrap();
    for (at, start) in
        [("192.0.2.7:4150", "http://192.0.2.7:4150/#key="), ("[2001:db8::7]:80", "http://[2001:db8::7]:80/#key=")]
    {
        for role in Role::ALL {
            let invite = Invite::new(&keys, role, at.parse().unwrap());
            let key = invite.address().strip_prefix(start).unwrap();
            assert_eq!(keys.role(key), Some(role));
            assert!(!format!("{invite:?}").contains(key), "not for debugging");
        }
    }
}

#[test]
fn the_code_on_a_dark_terminal_reads_as_the_address() {
    let keys = RoleKeys::random().unwrap();
    for role in Role::ALL {
        let invite = Invite::new(&keys, role, "192.168.100.200:4150".parse().unwrap());
        let shown = invite.to_string();
        assert!(shown.starts_with(invite.words()) && shown.ends_with(&invite.qr()));
        // What a camera sees: each letter is two squares, light where it is drawn, each square four points wide.
        let qr = invite.qr();
        let lines: Vec<Vec<char>> = qr.lines().map(|line| line.chars().collect()).collect();
        let width = lines[0].len();
        assert!(lines.iter().all(|line| line.len() == width));
        let light = |x: usize, y: usize| {
            let letter = lines[y / 2][x];
            letter == '\u{2588}' || letter == if y.is_multiple_of(2) { '\u{2580}' } else { '\u{2584}' }
        };
        for edge in 0..4 {
            assert!(
                (0..width).all(|at| light(at, edge) && light(edge, at) && light(width - 1 - edge, at)),
                "quiet zone"
            );
        }
        let seen = |x: usize, y: usize| if light(x / 4, y / 4) { 255 } else { 0 };
        let mut image = rqrr::PreparedImage::prepare_from_greyscale(width * 4, lines.len() * 8, seen);
        let grids = image.detect_grids();
        assert_eq!(grids.len(), 1);
        assert_eq!(grids[0].decode().unwrap().1, invite.address());
    }
}
