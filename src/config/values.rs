//! The small languages of a keeper's values: lengths of time, clock times, dates, addresses of servers and people.
//!
//! Each reader takes the text and gives the value, or the sentence that says what would be right.

use crate::post::settings::Mailbox;
use crate::terms::time::{Span, days_from_civil};
use std::net::IpAddr;

/// `90d` and the like: a positive length up to 100 years.
pub fn span(text: &str) -> Result<Span, String> {
    let right = "write a number and s, min, h, d or y, as \"15min\"";
    let text = text.trim();
    let cut = text.find(|c: char| !(c.is_ascii_digit() || c == '.')).unwrap_or(text.len());
    let (number, unit) = text.split_at(cut);
    let number: f64 = number.parse().map_err(|_| right.to_owned())?;
    let unit_s = match unit.trim() {
        "s" => 1.0,
        "min" => 60.0,
        "h" => 3_600.0,
        "d" => 86_400.0,
        "y" => 365.0 * 86_400.0,
        "m" => return Err(format!("\"m\" could be minutes or months: write \"{number}min\"")),
        _ => return Err(right.to_owned()),
    };
    match number * unit_s {
        s if s > 0.0 && s <= 100.0 * 365.0 * 86_400.0 => Ok(Span::from_s(s)),
        _ => Err("more than nothing, and 100 years at the most".into()),
    }
}

/// `07:00` → minute of the day.
pub fn clock(text: &str) -> Result<u16, String> {
    let right = || "write hours and minutes from \"00:00\" to \"23:59\"".to_owned();
    // A bare TOML time shows as 07:00:00.
    let text = text.strip_suffix(":00").filter(|t| t.contains(':')).unwrap_or(text);
    let (h, min) = text.split_once(':').ok_or_else(right)?;
    match (digits(h, 2), digits(min, 2)) {
        (Some(h @ 0..=23), Some(min @ 0..=59)) if min_is_two(text) => Ok((h * 60 + min) as u16),
        _ => Err(right()),
    }
}

fn min_is_two(text: &str) -> bool {
    text.split_once(':').is_some_and(|(_, min)| min.len() == 2)
}

fn digits(text: &str, most: usize) -> Option<i64> {
    let fits = !text.is_empty() && text.len() <= most && text.bytes().all(|b| b.is_ascii_digit());
    fits.then(|| text.parse().ok()).flatten()
}

/// `Sun 18:00` → day of the week from Monday 0, minute of the day.
pub fn weekly(text: &str) -> Result<(u8, u16), String> {
    const DAYS: [&str; 7] = ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"];
    let right = || "write a day (Mon, Tue, Wed, Thu, Fri, Sat, Sun) and a time, as \"Sun 18:00\"".to_owned();
    let (day, time) = text.trim().split_once(' ').ok_or_else(right)?;
    let day = DAYS.iter().position(|d| d.eq_ignore_ascii_case(day)).ok_or_else(right)?;
    clock(time.trim()).map(|minute| (day as u8, minute)).map_err(|_| right())
}

/// `2026-08-01` → days since 1970-01-01.
pub fn date(text: &str) -> Result<i32, String> {
    let right = || "write year, month and day of a day that exists, as \"2026-08-01\"".to_owned();
    let mut parts = text.splitn(3, '-');
    let mut part = |length: usize| parts.next().filter(|p| p.len() == length).and_then(|p| digits(p, length));
    let (Some(y), Some(m), Some(d)) = (part(4), part(2), part(2)) else { return Err(right()) };
    let days = days_from_civil(y, m, d);
    match crate::terms::time::civil_from_days(days) == (y, m, d) {
        true => i32::try_from(days).map_err(|_| right()),
        false => Err(right()),
    }
}

/// Where a server is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    pub scheme: &'static str,
    pub host: String,
    pub port: u16,
    /// The host is an address of this machine, or `localhost`.
    pub loopback: bool,
}

/// `mqtts://broker.lan:8883` against schemes and their usual ports.
pub fn server(text: &str, schemes: &[(&'static str, u16)]) -> Result<Place, String> {
    let (scheme, port) = *schemes.first().ok_or("no scheme")?;
    let example = format!("{scheme}://host.example:{port}");
    let listed = schemes.iter().map(|(s, _)| format!("{s}://")).collect::<Vec<_>>().join(" or ");
    let right = || format!("write {listed}, a host and perhaps a port, as \"{example}\"");
    let (scheme, rest) = text.split_once("://").ok_or_else(right)?;
    let (scheme, usual) = *schemes.iter().find(|(s, _)| *s == scheme).ok_or_else(right)?;
    if rest.contains('@') {
        return Err("user and password do not stand in the address: use `user` and `password_file`".into());
    }
    let rest = rest.strip_suffix('/').unwrap_or(rest);
    let (host, port) = match rest.strip_prefix('[').and_then(|r| r.split_once(']')) {
        Some((v6, after)) if v6.parse::<std::net::Ipv6Addr>().is_ok() => (v6, after.strip_prefix(':')),
        Some(_) => return Err(right()),
        None => rest.split_once(':').map_or((rest, None), |(host, port)| (host, Some(port))),
    };
    let port = match port {
        None => usual,
        Some(port) => digits(port, 5).and_then(|p| u16::try_from(p).ok()).filter(|p| *p > 0).ok_or_else(right)?,
    };
    let address = host.parse::<IpAddr>();
    if address.is_err() && !is_host(host) {
        return Err(right());
    }
    let loopback = address.map_or_else(|_| host.eq_ignore_ascii_case("localhost"), |a| a.is_loopback());
    Ok(Place { scheme, host: host.to_owned(), port, loopback })
}

/// A name as DNS has it: labels of letters, digits and hyphens (RFC 1123, section 2.1); `_` is seen at home and let through.
fn is_host(host: &str) -> bool {
    let label = |l: &str| {
        (1..=63).contains(&l.len())
            && l.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_')
            && !l.starts_with('-')
            && !l.ends_with('-')
    };
    let all_digits = host.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    host.len() <= 253 && !all_digits && host.split('.').all(label)
}

/// `ines@example.org` or `Ines <ines@example.org>`: the dot-atom form of RFC 5322, section 3.4.1, within the lengths of
/// RFC 5321, section 4.5.3.1.
pub fn mailbox(text: &str) -> Result<Mailbox, String> {
    let right = || "write one address, as \"ines@example.org\" or \"Ines <ines@example.org>\"".to_owned();
    let (name, address) = match text.trim().strip_suffix('>') {
        Some(named) => named.rsplit_once('<').map(|(n, a)| (Some(n.trim().trim_matches('"')), a)).ok_or_else(right)?,
        None => (None, text.trim()),
    };
    let name = name.filter(|n| !n.is_empty()).map(str::to_owned);
    if name.iter().any(|n| n.len() > 200 || n.chars().any(|c| c.is_control() || "<>\"".contains(c))) {
        return Err(right());
    }
    let (local, domain) = address.rsplit_once('@').ok_or_else(right)?;
    let atom =
        |a: &str| !a.is_empty() && a.bytes().all(|b| b.is_ascii_alphanumeric() || b"!#$%&'*+-/=?^_`{|}~".contains(&b));
    if local.len() > 64 || !local.split('.').all(atom) || !is_host(domain) || domain.contains('_') {
        return Err(right());
    }
    Ok(Mailbox { name, address: address.to_owned() })
}

/// RFC 6901: empty, or `/` before each step; `~` only as `~0` or `~1`.
pub fn pointer(text: &str) -> Result<String, String> {
    let tildes = text.split('~').skip(1).all(|after| after.starts_with(['0', '1']));
    match (text.is_empty() || text.starts_with('/'), tildes) {
        (true, true) => Ok(text.to_owned()),
        (false, _) => Err(format!("a JSON Pointer (RFC 6901) begins with a slash: \"/{}\"", text.replace('.', "/"))),
        (true, false) => Err("in a JSON Pointer (RFC 6901) `~` is written ~0 and `/` within a name ~1".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_of_time() {
        let good =
            [("15min", 900), ("6h", 21_600), ("90d", 7_776_000), ("5y", 157_680_000), ("60s", 60), ("1.5 h", 5_400)];
        for (text, s) in good {
            assert_eq!(span(text), Ok(Span::s(s)), "{text}");
        }
        for bad in ["", "15", "min", "-5min", "0s", "15m", "15 minutes", "1e3s", "1..5h", "101y", "٣min"] {
            assert!(span(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn clocks_and_dates() {
        assert_eq!(
            (clock("07:00"), clock("7:05"), clock("23:59"), clock("08:00:00")),
            (Ok(420), Ok(425), Ok(1_439), Ok(480))
        );
        for bad in ["", "24:00", "7", "07:60", "7:5", "07:00:30", "-1:00", "aa:bb"] {
            assert!(clock(bad).is_err(), "{bad}");
        }
        assert_eq!((weekly("Sun 18:00"), weekly("mon 07:30")), (Ok((6, 1_080)), Ok((0, 450))));
        assert!(weekly("Sunday 18:00").is_err() && weekly("Sun").is_err());
        assert_eq!((date("1970-01-02"), date("2024-02-29")), (Ok(1), Ok(19_782)));
        for bad in ["2026-02-29", "2026-13-01", "2026-1-1", "26-01-01", "2026-08-01T00:00:00Z", ""] {
            assert!(date(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn servers() {
        let schemes = [("mqtts", 8_883), ("mqtt", 1_883)];
        let at = |text| server(text, &schemes).map(|p| (p.scheme, p.host, p.port, p.loopback));
        assert_eq!(at("mqtts://broker.lan:8884"), Ok(("mqtts", "broker.lan".into(), 8_884, false)));
        assert_eq!(at("mqtt://127.0.0.1"), Ok(("mqtt", "127.0.0.1".into(), 1_883, true)));
        assert_eq!(at("mqtt://[::1]:99/"), Ok(("mqtt", "::1".into(), 99, true)));
        for bad in [
            "",
            "broker.lan",
            "http://x",
            "mqtt://",
            "mqtt://a:0",
            "mqtt://a:99999",
            "mqtt://a b",
            "mqtt://u:p@h",
            "mqtt://[::1",
            "mqtt://a/b",
            "mqtt://1.2.3",
            "mqtt://-a",
            "mqtt://a..b",
        ] {
            assert!(at(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn mailboxes() {
        let plain = mailbox("ines@example.org").map(|m| (m.name, m.address));
        assert_eq!(plain, Ok((None, "ines@example.org".into())));
        let named = mailbox("Warmside NOW <a.b+c@mail.example.org>").map(|m| (m.name, m.address));
        assert_eq!(named, Ok((Some("Warmside NOW".into()), "a.b+c@mail.example.org".into())));
        for bad in [
            "",
            "ines",
            "ines@",
            "@example.org",
            "a@b@c",
            "a b@example.org",
            "a..b@example.org",
            "a@exa mple.org",
            "a@example.org, b@example.org",
            "A\r\nBcc: x@y.z <a@example.org>",
            "x <a@example.org",
            "a@ex_ample.org",
        ] {
            assert!(mailbox(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn pointers_are_those_of_rfc_6901() {
        // The examples of RFC 6901, section 5.
        for good in ["", "/foo", "/foo/0", "/", "/a~1b", "/c%d", "/e^f", "/g|h", "/i\\j", "/k\"l", "/ ", "/m~0n"] {
            assert_eq!(pointer(good).as_deref(), Ok(good));
        }
        for bad in ["foo", "warm.t", "/a~b", "/a~"] {
            assert!(pointer(bad).is_err(), "{bad}");
        }
    }
}
