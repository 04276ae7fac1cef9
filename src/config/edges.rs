//! `[broker]`, `[builtin_broker]`, `[post]`, `[answers]`, `[store]`, `[page]`: how the house meets the world.

use super::files::Files;
use super::site::length;
use super::values::{Place, mailbox, server};
use super::walk::{Table, Value, shown};
use crate::answers::settings::Answers;
use crate::mqtt::settings::{Broker, BuiltinBroker};
use crate::page::settings::Settings as Page;
use crate::post::settings::{Mailbox, Server, Tls, Way};
use crate::store::settings::Settings as Store;
use crate::terms::secret::Secret;
use crate::terms::time::Span;
use std::net::{Ipv4Addr, SocketAddr};

/// What `[broker]` or `[builtin_broker]` says.
#[derive(Debug, Default)]
pub struct Ear {
    pub broker: Option<Broker>,
    pub builtin: Option<BuiltinBroker>,
    pub publish: Option<String>,
    pub commands: Option<String>,
}

pub fn ear(root: &Table<'_>, files: &Files) -> Ear {
    let given = root.table("broker", "[broker]");
    let builtin = root.table("builtin_broker", "[builtin_broker]");
    if given.is_there() && builtin.is_there() {
        let right = "Warmside hears one broker: take one of the two tables out";
        root.walk.fault_beside(&builtin.span, "[broker] and [builtin_broker] at once", right, &given.span, "the other");
    }
    let table = if given.is_there() { &given } else { &builtin };
    let publish = table.get("publish").and_then(|v| topic(&v));
    let commands = table.get("commands").and_then(|v| topic(&v));
    if let (Some(p), Some(c), Some(value)) = (&publish, &commands, table.get("commands"))
        && [format!("{p}/state"), format!("{p}/outcome")].iter().any(|own| c.starts_with(own.as_str()))
    {
        value.fault("commands would come on a topic that Warmside publishes on itself", "choose another topic");
    }
    if given.is_there() {
        let broker = broker(&given, files);
        // What the other table says is judged too, so that all faults are told.
        let _ = builtin_broker(&builtin, files);
        return Ear { broker, builtin: None, publish, commands };
    }
    Ear { broker: None, builtin: builtin_broker(&builtin, files), publish, commands }
}

fn broker(table: &Table<'_>, files: &Files) -> Option<Broker> {
    let url = table.need("url", "url = \"mqtts://broker.example:8883\"");
    let place = url.as_ref().and_then(|v| at(v, &[("mqtts", 8_883), ("mqtt", 1_883)]));
    let login = files.login(table);
    let ca_pem = files.authorities(table);
    let identity = files.identity(table);
    if let (Some(place), Some(url)) = (&place, &url)
        && place.scheme == "mqtt"
        && !place.loopback
        && table.get("password_file").is_some()
    {
        let right = "mqtts:// keeps it private";
        url.walk.doubt(&url.span, "the password goes over the network in the clear", right);
    }
    only_with_tls(table, place.as_ref().is_some_and(|p| p.scheme == "mqtt"), "mqtts://");
    table.finish();
    let place = place?;
    let (user, password) = login.unzip();
    Some(Broker { tls: place.scheme == "mqtts", host: place.host, port: place.port, user, password, ca_pem, identity })
}

/// A `ca_file` that nothing would look at hides that the connection is not private.
pub fn only_with_tls(table: &Table<'_>, plain: bool, scheme: &str) {
    if let Some(value) = table.get("ca_file").filter(|_| plain) {
        let right = format!("write {scheme} in the address, or take `ca_file` out");
        value.fault("`ca_file` is of no use without TLS", right);
    }
}

fn builtin_broker(table: &Table<'_>, files: &Files) -> Option<BuiltinBroker> {
    let listen = listen(table, 1_883);
    let login = files.login(table);
    beyond_loopback(
        table,
        listen,
        login.is_some() || table.get("password_file").is_some(),
        "`user` and `password_file`",
    );
    // Judged in `ear` where this table is the one obeyed.
    let _ = (table.get("publish"), table.get("commands"));
    table.finish();
    Some(BuiltinBroker { listen: listen?, login })
}

/// The address to listen on; on loopback where nothing is said.
pub fn listen(table: &Table<'_>, usual: u16) -> Option<SocketAddr> {
    let Some(value) = table.get("listen") else { return Some((Ipv4Addr::LOCALHOST, usual).into()) };
    let right = || format!("write an address and a port, as \"127.0.0.1:{usual}\"");
    value.read("address to listen on", |text| {
        let text = text.strip_prefix("localhost:").map_or(text.to_owned(), |port| format!("127.0.0.1:{port}"));
        text.parse().map_err(|_| right())
    })
}

fn beyond_loopback(table: &Table<'_>, listen: Option<SocketAddr>, guarded: bool, with: &str) {
    let Some(listen) = listen.filter(|l| !l.ip().is_loopback() && !guarded) else { return };
    if let Some(value) = table.get("listen") {
        let right = format!("add {with}, or listen on \"127.0.0.1:{}\"", listen.port());
        value.walk.missing(&value.span, "everybody on the network could connect here", right);
    }
}

pub fn at(value: &Value<'_>, schemes: &[(&'static str, u16)]) -> Option<Place> {
    value.read("address of a server", |text| server(text, schemes))
}

/// A topic of ours: no wildcards, no captures.
fn topic(value: &Value<'_>) -> Option<String> {
    let text = value.line()?;
    if text.contains(['+', '#', '{', '}']) || text.starts_with(['$', '/']) || text.ends_with('/') {
        value.fault(
            format!("\"{}\" is no topic", shown(&text)),
            "plain levels between slashes, as \"warmside/command\"",
        );
        return None;
    }
    Some(text)
}

/// `[post]`: the way out, a second one, and how many urgent mails an hour.
pub fn post(root: &Table<'_>, files: &Files) -> (Way, Option<Server>, u32) {
    const USUAL_AT_MOST: u32 = 20;
    let table = root.table("post", "[post]");
    let at_most = table.get("at_most").and_then(|v| v.whole(1, 1_000)).map_or(USUAL_AT_MOST, |n| n as u32);
    let fallback = table.table("fallback", "[post.fallback]");
    let folder = table.get("folder");
    let way = match (&folder, table.get("server")) {
        (Some(value), Some(_)) => {
            value.fault("`folder` and `server` at once", "mails go to a server, or are written to a folder");
            None
        }
        (_, None) => {
            let from = table.get("from").and_then(|v| v.read("mail address", mailbox));
            let nobody = || Mailbox { name: Some("Warmside".into()), address: "warmside@localhost".into() };
            let folder = folder.as_ref().and_then(|v| files.path(v)).unwrap_or_else(|| files.folder.join("mail"));
            if table.is_there() && table.get("folder").is_none() {
                let right = "add `server = \"smtps://mail.example.org:465\"`, or `folder = \"mail\"` for files only";
                root.walk.missing(&table.span, "[post] has no `server`", right);
            }
            Some(Way::Folder { folder, from: from.unwrap_or_else(nobody) })
        }
        (None, Some(_)) => mail_server(&table, files).map(Way::Server),
    };
    for key in ["user", "password_file", "ca_file"] {
        if let Some(value) = table.get(key).filter(|_| table.get("server").is_none()) {
            value.walk.missing(&value.key_span, format!("`{key}` is of no use without `server`"), "");
        }
    }
    table.finish();
    let second = if fallback.is_there() { mail_server(&fallback, files) } else { None };
    if let Some(value) = fallback.get("at_most") {
        value.walk.doubt(
            &value.key_span,
            "`at_most` here does nothing",
            "it counts over both ways: set it under [post]",
        );
    }
    fallback.finish();
    let way = way.unwrap_or_else(|| Way::Folder {
        folder: files.folder.join("mail"),
        from: Mailbox { name: None, address: String::new() },
    });
    (way, second, at_most)
}

fn mail_server(table: &Table<'_>, files: &Files) -> Option<Server> {
    let url = table.need("server", "server = \"smtps://mail.example.org:465\"");
    let place = url.as_ref().and_then(|v| at(v, &[("smtps", 465), ("smtp", 587)]));
    let login = files.login(table);
    let ca_pem = files.authorities(table);
    let from = table.need("from", "from = \"Warmside <warmside@example.org>\"");
    let from = from.and_then(|v| v.read("mail address", mailbox));
    let place = place?;
    let tls = match place.scheme {
        "smtps" => Tls::Implicit,
        _ if place.loopback && table.get("ca_file").is_none() => Tls::Loopback,
        _ => Tls::StartTls,
    };
    Some(Server { tls, host: place.host, port: place.port, login, ca_pem, from: from? })
}

/// `[answers]`.
pub fn answers(root: &Table<'_>, files: &Files) -> Option<Answers> {
    let table = root.table("answers", "[answers]");
    let url = table.need("server", "server = \"imaps://mail.example.org:993\"");
    let place = url.and_then(|v| at(&v, &[("imaps", 993)]));
    let login = files.login(&table);
    if table.is_there() && table.get("user").is_none() && table.get("password_file").is_none() {
        let right = "add `user = \"…\"` and `password_file = \"secret/…\"`";
        table.walk.missing(&table.span, "[answers] has no `user`", right);
    }
    let ca_pem = files.authorities(&table);
    table.finish();
    let place = place?;
    Some(Answers { host: place.host, port: place.port, login: login?, ca_pem })
}

/// `[store]`.
pub fn store(root: &Table<'_>, files: &Files) -> Store {
    let table = root.table("store", "[store]");
    let folder = table.get("folder").and_then(|v| files.path(&v)).unwrap_or_else(|| files.folder.join("state"));
    let keep_readings = length(&table, "keep_readings").unwrap_or(Span::days(90));
    let keep_summaries = length(&table, "keep_summaries").unwrap_or(Span::days(5 * 365));
    // What is learned reaches back four days, and a keeper asks about yesterday.
    if let Some(value) = table.get("keep_readings").filter(|_| keep_readings < Span::days(7)) {
        value.fault("readings are kept for too short a time", "a week at the least, as \"90d\"");
    }
    table.finish();
    Store { folder, keep_readings, keep_summaries }
}

/// `[page]`.
pub struct StatedPage {
    pub page: Page,
    /// What links in mails begin with.
    pub address: Option<String>,
    /// Enclosures may wait to be tied on the page.
    pub tie: bool,
}

/// `[page]`: where it is served, by which certificate, and what is done on it.
pub fn page(root: &Table<'_>, files: &Files) -> StatedPage {
    let table = root.table("page", "[page]");
    let listen = listen(&table, 8_377);
    let password: Option<Secret> = files.password(&table);
    beyond_loopback(&table, listen, table.get("password_file").is_some(), "`password_file`");
    let identity = files.identity(&table);
    let address = table.get("address").and_then(|v| v.read("address of a page", web_address));
    let given = |key| table.get(key).is_some();
    let in_the_clear =
        listen.is_some_and(|l| !l.ip().is_loopback()) && given("password_file") && !given("certificate_file");
    if let Some(value) = table.get("listen").filter(|_| in_the_clear && !by_proxy(address.as_deref())) {
        let right = "add `certificate_file` and `key_file`; or put a proxy with TLS before it, and its `address`";
        value.walk.doubt(&value.span, "the page's password goes over the network in the clear", right);
    }
    let tie = table.get("tie").and_then(|v| v.flag()).unwrap_or(false);
    table.finish();
    let listen = listen.unwrap_or_else(|| (Ipv4Addr::LOCALHOST, 8_377).into());
    StatedPage { page: Page { listen, password, identity }, address, tie }
}

/// Whether somebody else speaks TLS for the page.
fn by_proxy(address: Option<&str>) -> bool {
    address.is_some_and(|a| a.starts_with("https://"))
}

/// Where a phone finds the page, perhaps behind a proxy and below a path.
fn web_address(text: &str) -> Result<String, String> {
    let right =
        || "write http:// or https://, a host and perhaps a path, as \"https://home.example.org/warmside\"".to_owned();
    let (scheme, rest) = text.split_once("://").ok_or_else(right)?;
    let (host, path) = rest.split_once('/').map_or((rest, ""), |(host, path)| (host, path));
    let plain = |b: u8| b.is_ascii_alphanumeric() || b"-._~/%".contains(&b);
    if !matches!(scheme, "http" | "https") || !path.bytes().all(plain) {
        return Err(right());
    }
    server(&format!("{scheme}://{host}"), &[("http", 80), ("https", 443)]).map_err(|_| right())?;
    Ok(text.trim_end_matches('/').to_owned())
}
