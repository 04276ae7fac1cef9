//! What the page asks of the store and of the care plans: the daemon answers, so that no edge imports another.

use crate::terms::place::Place;
use crate::terms::time::Wall;

/// Ten minutes of a probe, in the unit of its quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ten {
    pub from: Wall,
    pub min: f64,
    pub mean: f64,
    pub max: f64,
}

/// From this instant on, until the next step, so much is wanted and never beyond that. °C.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    pub from: Wall,
    pub wanted: Option<(f64, f64)>,
    pub never: Option<(f64, f64)>,
}

/// A mail as it went out, or waits.
#[derive(Clone, Debug, PartialEq)]
pub struct Mail {
    /// The notice's id: `7Q.1`, `daily.2026-03-04`.
    pub notice: String,
    pub queued_at: Wall,
    pub subject: String,
    pub text: String,
    /// The notice as one line of JSON.
    pub json: String,
    /// Keeper's id, what became of it in a word, and the server's last words.
    pub to: Vec<(String, String, String)>,
}

/// One line of the ledger: a mark, an answer, an incident's turn.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    pub at: Wall,
    /// `mark`, `found`, `mail`, `answer`, `shelf`, …: one word.
    pub kind: String,
    pub enclosures: Vec<String>,
    pub words: String,
    pub by: Option<String>,
    /// Taken back by whoever wrote it: told, and struck out.
    pub struck: bool,
}

/// What is known of an enclosure's heat over a stretch.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Heat {
    /// When its relays said on: from, until.
    pub called: Vec<(Wall, Wall)>,
    /// From each of these instants on, for ten minutes: mean watts as a share of full heat, 0–1.
    pub arrived: Vec<(Wall, f64)>,
}

/// Why the past cannot be told now, in words without secrets.
pub type Told<T> = Result<T, String>;

/// The past and the plan. Blocks for milliseconds, so it is called from a thread that may block.
///
/// Probes go by the names they are stored under: `enclosure/a3/warm_side.temperature`, `room/back/air.temperature`.
pub trait Past: Send + Sync + 'static {
    /// Readings from `from` (inclusive) to `to` (exclusive), in order, at most the first `at_most`.
    fn readings(&self, probe: &str, from: Wall, to: Wall, at_most: usize) -> Told<Vec<(Wall, f64)>>;
    /// Summaries of every ten minutes that begin in the same span, in order.
    fn summaries(&self, probe: &str, from: Wall, to: Wall) -> Told<Vec<Ten>>;
    /// When readings were missed: from, until (`None`: still), why.
    fn gaps(&self, from: Wall, to: Wall) -> Told<Vec<(Wall, Option<Wall>, String)>>;
    /// What was and will be wanted at a place, as steps; the first stands at or before `from`. Bounded by the caller's span.
    fn wanted(&self, enclosure: &str, place: Place, from: Wall, to: Wall) -> Vec<Step>;
    /// When light is planned (from, until), cut to the span.
    fn light_planned(&self, enclosure: &str, from: Wall, to: Wall) -> Vec<(Wall, Wall)>;
    /// Heat called for and arrived; `None`: neither plug nor relay tells.
    fn heat(&self, enclosure: &str, from: Wall, to: Wall) -> Told<Option<Heat>>;
    /// The newest lines of the ledger before an instant, of one enclosure or of all, newest first.
    fn ledger(&self, enclosure: Option<&str>, before: Wall, at_most: usize) -> Told<Vec<Entry>>;
    /// The newest marks whose words begin so, newest first.
    fn marks(&self, beginning: &str, at_most: usize) -> Told<Vec<Entry>>;
    /// The newest mails, newest first.
    fn mails(&self, at_most: usize) -> Told<Vec<Mail>>;
    /// One mail by its notice's id.
    fn mail(&self, notice: &str) -> Told<Option<Mail>>;
}

/// A house without a past: nothing stored yet, or nothing to store in.
#[derive(Clone, Copy, Debug, Default)]
pub struct NoPast;

impl Past for NoPast {
    fn readings(&self, _: &str, _: Wall, _: Wall, _: usize) -> Told<Vec<(Wall, f64)>> {
        Ok(vec![])
    }
    fn summaries(&self, _: &str, _: Wall, _: Wall) -> Told<Vec<Ten>> {
        Ok(vec![])
    }
    fn gaps(&self, _: Wall, _: Wall) -> Told<Vec<(Wall, Option<Wall>, String)>> {
        Ok(vec![])
    }
    fn wanted(&self, _: &str, _: Place, _: Wall, _: Wall) -> Vec<Step> {
        vec![]
    }
    fn light_planned(&self, _: &str, _: Wall, _: Wall) -> Vec<(Wall, Wall)> {
        vec![]
    }
    fn heat(&self, _: &str, _: Wall, _: Wall) -> Told<Option<Heat>> {
        Ok(None)
    }
    fn ledger(&self, _: Option<&str>, _: Wall, _: usize) -> Told<Vec<Entry>> {
        Ok(vec![])
    }
    fn marks(&self, _: &str, _: usize) -> Told<Vec<Entry>> {
        Ok(vec![])
    }
    fn mails(&self, _: usize) -> Told<Vec<Mail>> {
        Ok(vec![])
    }
    fn mail(&self, _: &str) -> Told<Option<Mail>> {
        Ok(None)
    }
}
