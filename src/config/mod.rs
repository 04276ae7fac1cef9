//! A keeper's file becomes the settings of the rooms that obey them, or a report of everything that is wrong with it.
//!
//! `syntax` mends the text, `walk` asks the tree for keys, one file a table reads them, `overlap` judges the links together.
//! Every check of a file is here, so that nothing is found wrong with it later, while animals depend on it.

mod band;
mod care;
pub mod coverage;
mod edges;
mod enclosure;
pub mod fault;
mod files;
mod link;
mod names;
mod nearest;
pub mod outpost;
mod overlap;
mod reads;
mod season;
mod shape;
mod site;
mod syntax;
pub mod tied;
pub mod values;
mod walk;

use crate::answers::settings::Answers;
use crate::mqtt::settings::{Broker, BuiltinBroker};
use crate::outpost::settings::Outpost;
use crate::post::settings::{Server, Way};
use crate::{engine, notice};
use fault::{Fault, Report};
use files::Files;
use std::path::{Path, PathBuf};
use toml::de::DeTable;

/// The longest file in bytes: a thousand enclosures, each with a page of words.
const LONGEST: u64 = 8 * 1024 * 1024;

/// Everything that a file says, checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Config {
    /// What the engine obeys.
    pub settings: engine::settings::Settings,
    /// Exactly one of these two is set.
    pub broker: Option<Broker>,
    pub builtin_broker: Option<BuiltinBroker>,
    pub post: Way,
    pub post_fallback: Option<Server>,
    pub answers: Option<Answers>,
    /// Where it says that it goes round.
    pub outpost: Option<Outpost>,
    pub store: crate::store::settings::Settings,
    pub page: crate::page::settings::Settings,
    /// What was tied on the page; what of it is sealed and sound is among the links.
    pub tied: tied::Tied,
    /// What is doubtful and obeyed all the same.
    pub doubts: Report,
}

/// Reads a file with everything that it names. `Err`: it has faults, all of them told.
pub fn load(path: &Path) -> Result<Config, Report> {
    let credentials = std::env::var_os("CREDENTIALS_DIRECTORY").map(PathBuf::from);
    read_with(path, &Files { credentials, secrets: true, ..Files::default() }, house)
}

/// As [`load`], with these ties instead of those in the store's folder: what a file would mean that is not written yet.
pub fn load_tied(path: &Path, ties: Vec<tied::Tie>) -> Result<Config, Report> {
    let credentials = std::env::var_os("CREDENTIALS_DIRECTORY").map(PathBuf::from);
    read_with(path, &Files { credentials, secrets: true, ties: Some(ties), ..Files::default() }, house)
}

/// As [`load`], for commands that reach no server (`replay`): passwords and certificates are not looked for, so that a
/// recording can be replayed where they are not.
pub fn load_without_secrets(path: &Path) -> Result<Config, Report> {
    read_with(path, &Files::default(), house)
}

/// As [`load_without_secrets`], with these ties instead of those in the store's folder: for a house that is put back.
pub fn load_restored(path: &Path, ties: Vec<tied::Tie>) -> Result<Config, Report> {
    read_with(path, &Files { ties: Some(ties), ..Files::default() }, house)
}

/// As [`load`] (or, without `secrets`, as [`load_without_secrets`]) of a house whose links are still to be drafted.
pub fn load_unlinked(path: &Path, secrets: bool) -> Result<Config, Report> {
    let credentials = std::env::var_os("CREDENTIALS_DIRECTORY").map(PathBuf::from).filter(|_| secrets);
    read_with(path, &Files { credentials, secrets, unlinked: true, ..Files::default() }, house)
}

/// The same for a text that is no file yet: `name` is what its report calls it, `folder` where its paths begin.
pub fn from_bytes(name: &str, bytes: &[u8], folder: &Path) -> Result<Config, Report> {
    parse(name, bytes, &Files { folder: folder.to_path_buf(), ..Files::default() }, house)
}

/// Reads a file by what a reader makes of its tables; paths in it begin in its own folder.
fn read_with<T: Judged>(path: &Path, files: &Files, reader: Reader<T>) -> Result<T, Report> {
    let name = path.display().to_string();
    let folder = path.parent().map(Path::to_path_buf).unwrap_or_default();
    let folder = if folder.as_os_str().is_empty() { PathBuf::from(".") } else { folder };
    let files = Files { folder, ..files.clone() };
    match read(path) {
        Ok(bytes) => parse(&name, &bytes, &files, reader),
        Err((what, right)) => Err(Report::new(name, String::new(), vec![whole(0, &what, right)])),
    }
}

fn read(path: &Path) -> Result<Vec<u8>, (String, String)> {
    use std::io::Read;
    let cannot = |why: std::io::Error| match why.kind() {
        std::io::ErrorKind::NotFound => {
            (format!("there is no file {}", path.display()), "`--config FILE` names yours".to_owned())
        }
        _ => (format!("{} cannot be read", path.display()), why.to_string()),
    };
    let mut bytes = Vec::new();
    let file = std::fs::File::open(path).map_err(cannot)?;
    file.take(LONGEST + 1).read_to_end(&mut bytes).map_err(cannot)?;
    if bytes.len() as u64 > LONGEST {
        return Err((format!("{} is too long", path.display()), "at most 8 MiB".into()));
    }
    Ok(bytes)
}

fn whole(at: usize, what: &str, right: String) -> Fault {
    Fault { span: at..at, warning: false, absence: false, what: what.into(), right: Some(right), also: None }
}

/// What a file means, with room for what is doubtful in it.
trait Judged {
    fn doubts(&mut self) -> &mut Report;
}

impl Judged for Config {
    fn doubts(&mut self) -> &mut Report {
        &mut self.doubts
    }
}

/// Reads the tables of a file. `None` only where a fault has been told.
type Reader<T> = fn(&walk::Table<'_>, &Files) -> Option<T>;

/// The text of a file to its meaning.
fn parse<T: Judged>(name: &str, bytes: &[u8], files: &Files, reader: Reader<T>) -> Result<T, Report> {
    let text = match std::str::from_utf8(bytes) {
        Ok(text) => text.to_owned(),
        Err(why) => {
            let fault = whole(why.valid_up_to(), "this is no UTF-8 text", "save the file as UTF-8".into());
            return Err(Report::new(name.into(), String::from_utf8_lossy(bytes).into_owned(), vec![fault]));
        }
    };
    let (mended, mut faults) = syntax::mend(&text);
    let broken = !faults.is_empty();
    let (tree, _) = DeTable::parse_recoverable(&mended);
    let walk = walk::Walk::default();
    let read = reader(&walk::Table::root(&walk, tree.get_ref()), files);
    // What could not be read may be just what seems to be missing.
    faults.extend(walk.into_faults().into_iter().filter(|f| !(broken && f.absence)));
    let report = Report::new(name.into(), text, faults);
    match read {
        Some(mut read) if !report.is_fatal() => {
            *read.doubts() = report;
            Ok(read)
        }
        _ => Err(report),
    }
}

/// Every table of the file. `None` only where a fault has been told.
fn house(root: &walk::Table<'_>, files: &Files) -> Option<Config> {
    let site = site::site(root);
    let (daily, weekly) = site::letters(root);
    let (repeat_now, repeat_today, pause) = site::repeat(root);
    let vet_phone = site::vet(root);
    let (keepers, keeper_names) = site::keepers(root);
    let (rooms, room_names) = site::rooms(root);
    let (circuits, circuit_names) = site::circuits(root);
    let (cares, care_names) = care::cares(root, &site, &keeper_names);
    let house = enclosure::House {
        site: &site,
        rooms: &room_names,
        circuits: &circuit_names,
        cares: &cares,
        care_names: &care_names,
    };
    let enclosures = enclosure::enclosures(root, &house);
    let wall = link::Wall { site: &site, enclosures: &enclosures, rooms: &room_names };
    let (mut links, broken) = link::links(root, &wall);
    overlap::check(root.walk, &links, &enclosures, &room_names);
    let store = edges::store(root, files);
    let edges::StatedPage { page, address: page_address, tie } = edges::page(root, files);
    let ties = files.ties.clone().map_or_else(|| tied::read(&store.folder), Ok);
    let tied = tied::judge(ties, &mut links, &wall);
    tied::tell(root.walk, &tied);
    overlap::unread(root, &links, &broken, &enclosures, (&tied, tie || files.unlinked));
    let ear = edges::ear(root, files);
    let (post, post_fallback, at_most) = edges::post(root, files);
    let answers = edges::answers(root, files);
    let outpost = outpost::of_house(root, files);
    root.finish();
    let notice = notice::settings::Settings {
        site: site.name,
        time_zone: site.time_zone,
        degrees: site.degrees,
        keepers,
        daily,
        weekly,
        repeat_now,
        repeat_today,
        pause,
        at_most,
        vet_phone,
        answers_by_mail: answers.is_some(),
        page: page_address,
    };
    let settings = engine::settings::Settings {
        notice,
        rooms,
        circuits,
        enclosures: enclosures.all,
        links: links.into_iter().map(|l| l.link).collect(),
        position: site.position,
        commands_topic: ear.commands,
        publish: ear.publish,
    };
    let doubts = Report::new(String::new(), String::new(), Vec::new());
    (ear.broker.is_some() || ear.builtin.is_some()).then_some(Config {
        settings,
        broker: ear.broker,
        builtin_broker: ear.builtin,
        post,
        post_fallback,
        answers,
        outpost,
        store,
        page,
        tied,
        doubts,
    })
}
