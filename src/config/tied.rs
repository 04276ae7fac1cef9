//! What was tied on the page: a file of its own in the store's folder, read beside the keeper's file, which always wins.
//!
//! A tie is a link to one place. It is obeyed once it is sealed; what cannot be obeyed is kept, doubted and never fatal: a
//! keeper who renames an enclosure must not find the whole house unwatched because of a line that Warmside wrote.

use super::fault::Fault;
use super::link::{self, StatedLink, Wall};
use super::overlap;
use super::walk::{Table, Walk, shown};
use serde::{Deserialize, Serialize};
use std::io::Read;
use std::path::Path;
use toml::de::DeTable;

/// Name of the file inside the store's folder.
pub const FILE: &str = "tied.toml";
/// The longest such file in bytes, and the most ties in it.
const LONGEST: u64 = 4 << 20;
pub const MOST_TIES: usize = 4_000;

/// One tie as it stands in the file. Instants are RFC 3339.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Tie {
    pub topic: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pointer: Option<String>,
    /// Exactly one of these two.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub enclosure: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub room: Option<String>,
    /// `warm_side.temperature`, `heat.power`, …: as `reads` of a link.
    pub reads: String,
    /// UCUM; none for states.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text_number: Option<bool>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decimal: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub suffix: Option<String>,
    pub by: String,
    pub tied: String,
    /// When somebody held the probe and this number rose.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub touched: Option<String>,
    /// Since when it is obeyed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sealed: Option<String>,
    // Tables come last in TOML.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub columns: Option<Columns>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub words: Option<Words>,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Columns {
    pub separator: String,
    pub count: usize,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Words {
    pub on: String,
    pub off: String,
}

impl Tie {
    /// The id of the enclosure or room.
    pub fn whose(&self) -> &str {
        self.enclosure.as_deref().or(self.room.as_deref()).unwrap_or_default()
    }

    /// Whether it ties the same number of the same topic.
    pub fn is_of(&self, topic: &str, pointer: &str) -> bool {
        self.topic == topic && self.pointer.as_deref().unwrap_or_default() == pointer
    }

    /// Whether it ties to the same place.
    pub fn is_to(&self, other: &Tie) -> bool {
        (&self.enclosure, &self.room, &self.reads) == (&other.enclosure, &other.room, &other.reads)
    }

    /// As a `[[link]]` of the keeper's file: without what only concerns the tying.
    fn as_link(&self) -> Link<'_> {
        Link {
            topic: &self.topic,
            pointer: self.pointer.as_deref(),
            enclosure: self.enclosure.as_deref(),
            room: self.room.as_deref(),
            reads: &self.reads,
            unit: self.unit.as_deref(),
            text_number: self.text_number,
            decimal: self.decimal.as_deref(),
            suffix: self.suffix.as_deref(),
            columns: self.columns.as_ref(),
            words: self.words.as_ref(),
        }
    }
}

#[derive(Serialize)]
struct Link<'t> {
    topic: &'t str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pointer: Option<&'t str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    enclosure: Option<&'t str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    room: Option<&'t str>,
    reads: &'t str,
    #[serde(skip_serializing_if = "Option::is_none")]
    unit: Option<&'t str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    text_number: Option<bool>,
    #[serde(skip_serializing_if = "Option::is_none")]
    decimal: Option<&'t str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    suffix: Option<&'t str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    columns: Option<&'t Columns>,
    #[serde(skip_serializing_if = "Option::is_none")]
    words: Option<&'t Words>,
}

/// What becomes of a tie.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fate {
    /// Sealed, and obeyed like a link of the keeper's file.
    Watched,
    /// Sound, and not sealed yet: nothing is watched by it.
    Waits,
    /// Cannot be obeyed, and why.
    Idle(String),
}

/// Every tie with its fate, and why the file could not be read.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Tied {
    pub all: Vec<(Tie, Fate)>,
    pub trouble: Option<String>,
}

#[derive(Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct TheFile {
    #[serde(default)]
    tie: Vec<Tie>,
}

/// The ties in a store's folder; none where there is no such file.
pub fn read(folder: &Path) -> Result<Vec<Tie>, String> {
    let path = folder.join(FILE);
    let mut text = String::new();
    match std::fs::File::open(&path).and_then(|file| file.take(LONGEST + 1).read_to_string(&mut text)) {
        Err(why) if why.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(why) => return Err(format!("{} cannot be read: {why}", path.display())),
        Ok(read) if read as u64 > LONGEST => return Err(format!("{} is too long", path.display())),
        Ok(_) => {}
    }
    parse(&text).map_err(|why| format!("{}: {why}", path.display()))
}

/// The ties in the text of such a file.
pub fn parse(text: &str) -> Result<Vec<Tie>, String> {
    let file: TheFile = toml::from_str(text).map_err(|why| why.message().to_owned())?;
    if file.tie.len() > MOST_TIES {
        return Err(format!("it holds more than {MOST_TIES} ties"));
    }
    Ok(file.tie)
}

/// The text of the file.
pub fn text(ties: &[Tie]) -> Result<String, String> {
    let head = "# What was tied on the page. Warmside writes this file: change it there, under Setup.\n\
                # A [[link]] of your own file for the same place or topic counts before it.\n\n";
    let body = toml::to_string(&TheFile { tie: ties.to_vec() }).map_err(|why| why.to_string())?;
    Ok(format!("{head}{body}"))
}

/// Judges ties beside the links of the keeper's file: sealed and sound ones join the links.
pub(super) fn judge(read: Result<Vec<Tie>, String>, links: &mut Vec<StatedLink>, wall: &Wall<'_>) -> Tied {
    let ties = match read {
        Ok(ties) => ties,
        Err(why) => return Tied { all: Vec::new(), trouble: Some(why) },
    };
    let own = links.len();
    // Those that wait are judged against the rest too, and are no links.
    let mut sound: Vec<StatedLink> = Vec::new();
    let mut all = Vec::new();
    for tie in ties {
        let fate = match as_link(&tie, wall) {
            Err(why) => Fate::Idle(why),
            Ok(stated) => match in_the_way(&stated, links.iter().take(own), wall) {
                Some(why) => Fate::Idle(format!("your own file counts: {why}")),
                None => match in_the_way(&stated, links.iter().skip(own).chain(&sound), wall) {
                    Some(why) => Fate::Idle(format!("an earlier tie counts: {why}")),
                    None if tie.sealed.is_some() => {
                        links.push(stated);
                        Fate::Watched
                    }
                    None => {
                        sound.push(stated);
                        Fate::Waits
                    }
                },
            },
        };
        all.push((tie, fate));
    }
    Tied { all, trouble: None }
}

/// A tie read by the rules of a `[[link]]`.
fn as_link(tie: &Tie, wall: &Wall<'_>) -> Result<StatedLink, String> {
    if tie.topic.contains(['{', '}']) {
        return Err("a tie is of one topic, without {names}".to_owned());
    }
    let text = toml::to_string(&tie.as_link()).map_err(|why| why.to_string())?;
    let table = DeTable::parse(&text).map_err(|why| why.to_string())?;
    let walk = Walk::default();
    let read = link::link(&Table::root(&walk, table.get_ref()), wall);
    match (walk.into_faults().into_iter().find(|f| !f.warning), read) {
        (Some(fault), _) => Err(in_words(fault)),
        (None, Ok(stated)) => Ok(stated),
        (None, Err(_)) => Err("it names neither an enclosure nor a room".to_owned()),
    }
}

fn in_words(fault: Fault) -> String {
    match fault.right {
        Some(right) => format!("{}; {right}", fault.what),
        None => fault.what,
    }
}

fn in_the_way<'l>(tie: &StatedLink, others: impl Iterator<Item = &'l StatedLink>, wall: &Wall<'_>) -> Option<String> {
    let words = overlap::Words { enclosures: &wall.enclosures.names, rooms: wall.rooms };
    let walk = Walk::default();
    others.for_each(|other| overlap::pair(&walk, &words, other, tie));
    walk.into_faults().into_iter().next().map(|fault| fault.what)
}

/// Says what is not obeyed, at the head of the keeper's file: the ties have no place in it.
pub(super) fn tell(walk: &Walk, tied: &Tied) {
    if let Some(why) = &tied.trouble {
        walk.doubt(&(0..0), "what is tied on the page cannot be read: nothing is watched by it", why.clone());
    }
    for (tie, fate) in &tied.all {
        if let Fate::Idle(why) = fate {
            let what =
                format!("tied on the page, and not read: {} as {} {}", shown(&tie.topic), tie.whose(), tie.reads);
            walk.doubt(&(0..0), what, why.clone());
        }
    }
}
