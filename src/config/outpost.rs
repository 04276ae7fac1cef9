//! `[outpost]` of a house's file, and the whole file of an outpost: who speaks, with which key, and who misses whom.

use super::edges;
use super::fault::Report;
use super::files::Files;
use super::names::Names;
use super::site::{self, length};
use super::walk::{Table, Value};
use super::{Judged, read_with};
use crate::notice::settings::Keeper;
use crate::outpost::settings::{House, Outpost, Post, SHORTEST_KEY};
use crate::post::settings::{Server, Way};
use crate::terms::id::is_id;
use crate::terms::secret::Secret;
use crate::terms::time::Span;
use std::net::Ipv4Addr;
use std::path::{Path, PathBuf};

/// The port that an outpost listens on where nothing is said.
const USUAL_PORT: u16 = 8_378;

/// `[outpost]`: where a house says that it goes round.
pub(super) fn of_house(root: &Table<'_>, files: &Files) -> Option<Outpost> {
    let table = root.table("outpost", "[outpost]");
    let url = table.need("url", "url = \"https://outpost.example.org:8378\"");
    let place = url.as_ref().and_then(|v| edges::at(v, &[("https", USUAL_PORT), ("http", USUAL_PORT)]));
    let house = table.need("house", "house = \"hollow-lane\"").and_then(|v| id(&v));
    let key = key(&table, files);
    let ca_pem = files.authorities(&table);
    edges::only_with_tls(&table, place.as_ref().is_some_and(|p| p.scheme == "http"), "https://");
    let every = length(&table, "every").unwrap_or(Span::min(1));
    if let Some(value) = table.get("every").filter(|_| !(Span::s(1)..=Span::min(10)).contains(&every)) {
        value.fault("`every` is out of range", "from 1s to 10min, as \"60s\": five missed are told");
    }
    table.finish();
    let place = place?;
    Some(Outpost {
        tls: place.scheme == "https",
        host: place.host,
        port: place.port,
        ca_pem,
        house: house?,
        key: key?,
        every,
    })
}

fn id(value: &Value<'_>) -> Option<String> {
    let text = value.text()?;
    if !is_id(&text) {
        value.fault("this cannot be the id of a house", "letters a to z, digits, - _ . and at most 64 of them");
        return None;
    }
    Some(text)
}

/// The key that a house and its outpost share.
fn key(table: &Table<'_>, files: &Files) -> Option<Secret> {
    let value = table.need("beat_key_file", "beat_key_file = \"secret/outpost\"")?;
    let key = files.secret(&value, "key")?;
    if files.secrets && key.expose().len() < SHORTEST_KEY {
        value.fault(
            "this key is too short to keep anybody out",
            "`warmside outpost --new-key` makes one for both sides",
        );
        return None;
    }
    Some(key)
}

/// Everything that an outpost's file says, checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Config {
    pub outpost: Post,
    pub post: Way,
    pub post_fallback: Option<Server>,
    /// Where its book is kept.
    pub folder: PathBuf,
    /// What is doubtful and obeyed all the same.
    pub doubts: Report,
}

impl Judged for Config {
    fn doubts(&mut self) -> &mut Report {
        &mut self.doubts
    }
}

/// Reads an outpost's file with everything that it names. `Err`: it has faults, all of them told.
pub fn load(path: &Path) -> Result<Config, Report> {
    let credentials = std::env::var_os("CREDENTIALS_DIRECTORY").map(PathBuf::from);
    read_with(path, &Files { credentials, secrets: true, ..Files::default() }, outpost)
}

fn outpost(root: &Table<'_>, files: &Files) -> Option<Config> {
    let site = site::site(root);
    let (keepers, keeper_names) = site::keepers(root);
    for table in root.tables("keeper", "[[keeper]]") {
        for key in ["after", "away"] {
            if let Some(value) = table.get(key) {
                value.walk.doubt(
                    &value.key_span,
                    format!("`{key}` does nothing here"),
                    "an outpost tells everybody at once",
                );
            }
        }
    }
    let (post, post_fallback, _) = edges::post(root, files);
    let door = root.table("door", "[door]");
    let listen = match door.get("listen") {
        Some(_) => edges::listen(&door, USUAL_PORT),
        // The other side is elsewhere: beyond this machine is the point of it.
        None => Some((Ipv4Addr::UNSPECIFIED, USUAL_PORT).into()),
    };
    let identity = files.identity(&door);
    door.finish();
    let store = root.table("store", "[store]");
    let folder = store.get("folder").and_then(|v| files.path(&v)).unwrap_or_else(|| files.folder.join("state"));
    store.finish();
    let mut names = Names::new("house");
    let tables = root.tables("house", "[[house]]");
    let houses: Vec<Option<House>> = tables
        .iter()
        .enumerate()
        .map(|(ix, table)| house(table, files, &mut names, ix, &keepers, &keeper_names))
        .collect();
    if tables.is_empty() {
        root.walk.missing(
            &(0..0),
            "there is no [[house]]: nothing would be missed",
            "add a [[house]] with id and beat_key_file",
        );
    }
    root.finish();
    let houses = houses.into_iter().collect::<Option<Vec<House>>>()?;
    let doubts = Report::new(String::new(), String::new(), Vec::new());
    let outpost = Post { listen: listen?, identity, time_zone: site.time_zone, houses };
    Some(Config { outpost, post, post_fallback, folder, doubts })
}

fn house(
    table: &Table<'_>,
    files: &Files,
    names: &mut Names,
    index: usize,
    keepers: &[Keeper],
    keeper_names: &Names,
) -> Option<House> {
    let id = names.take(table, index);
    let name = table.get("name").and_then(|v| v.line()).unwrap_or_else(|| id.clone());
    let key = key(table, files);
    let what_to_do = table.get("what_to_do").and_then(|v| v.line());
    let told: Vec<&Keeper> = match table.get("tells") {
        None => keepers.iter().collect(),
        Some(value) => value.list().iter().filter_map(|v| keepers.get(keeper_names.find(v)?)).collect(),
    };
    table.finish();
    let tells = told.into_iter().map(|keeper| (keeper.id.clone(), keeper.mail.clone())).collect();
    Some(House { id, name, key: key?, what_to_do, tells })
}
