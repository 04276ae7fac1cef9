//! Drafts of care from literature: a species' figures as a table to paste, each with its source, for a keeper to confirm.
//!
//! The figures are in `species.toml`. Laboratory critical limits in it (`ctmax_c`, `ctmin_c`) are never used: they say where an
//! animal can no longer right itself. `never` is left to the keeper.

use crate::care::settings::Band;
use crate::terms::quantity::Degrees;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::LazyLock;

/// One figure of one source.
#[derive(Clone, Debug, Deserialize)]
struct Figure {
    min: Option<f64>,
    max: Option<f64>,
    value: Option<f64>,
    winter: Option<f64>,
    summer: Option<f64>,
    weeks_min: Option<u32>,
    weeks_max: Option<u32>,
    source: String,
    confidence: String,
    basis: String,
    #[serde(default)]
    note: String,
}

impl Figure {
    fn band(&self) -> Option<Band> {
        Some(Band { low: self.min?, high: self.max? })
    }
}

/// A species as the literature has it; what is not listed here is not drafted from.
#[derive(Clone, Debug, Deserialize)]
struct Species {
    id: String,
    common_name: String,
    scientific_name: String,
    photoperiod_h: Option<Figure>,
    potz_c: Option<Figure>,
    warm_c: Option<Figure>,
    cool_c: Option<Figure>,
    basking_c: Option<Figure>,
    water_c: Option<Figure>,
    night_c: Option<Figure>,
    night_drop_c: Option<Figure>,
    night_min_c: Option<Figure>,
    danger_high_c: Option<Figure>,
    rh_pct: Option<Figure>,
    brumation_c: Option<Figure>,
}

#[derive(Deserialize)]
struct Source {
    title: String,
    #[serde(default)]
    address: String,
}

#[derive(Default, Deserialize)]
struct Literature {
    sources: BTreeMap<String, Source>,
    species: Vec<Species>,
}

static LITERATURE: LazyLock<Literature> =
    LazyLock::new(|| toml::from_str(include_str!("species.toml")).unwrap_or_default());

/// The species of which there is a draft: id, common name, scientific name.
pub fn known() -> impl Iterator<Item = (&'static str, &'static str, &'static str)> {
    LITERATURE.species.iter().map(|s| (s.id.as_str(), s.common_name.as_str(), s.scientific_name.as_str()))
}

/// A `[care.…]` table to paste, in the site's degrees. The species by id, common or scientific name; `Err` says what is near.
pub fn draft(species: &str, degrees: Degrees) -> Result<String, String> {
    let wanted = plain(species);
    let names = |s: &Species| [&s.id, &s.common_name, &s.scientific_name].map(|name| plain(name));
    if let Some(found) = LITERATURE.species.iter().find(|s| names(s).contains(&wanted)) {
        return Ok(Draft::new(found, degrees).write());
    }
    let near = LITERATURE
        .species
        .iter()
        .flat_map(|s| names(s).map(|name| (distance(&wanted, &name), s.id.as_str())))
        .min()
        .filter(|(steps, _)| *steps <= 1 + wanted.len() / 3);
    let all: Vec<&str> = known().map(|(id, ..)| id).collect();
    let hint = near.map(|(_, id)| format!("Did you mean {id}? ")).unwrap_or_default();
    Err(format!("There is no draft for \"{species}\". {hint}There are drafts for: {}.", all.join(", ")))
}

/// A name without case, blanks and signs.
fn plain(name: &str) -> String {
    name.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase).take(64).collect()
}

/// Levenshtein's distance: the least number of letters to put in, take out or change.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().enumerate() {
        let mut diagonal = i;
        let mut left = i + 1;
        for (cb, cell) in b.iter().zip(row.iter_mut().skip(1)) {
            let best = (diagonal + usize::from(ca != *cb)).min(left + 1).min(*cell + 1);
            diagonal = *cell;
            *cell = best;
            left = best;
        }
        if let Some(first) = row.first_mut() {
            *first = i + 1;
        }
    }
    row.last().copied().unwrap_or(0)
}

/// Narrower than this no enclosure holds a band, K.
const NARROWEST_K: f64 = 2.0;

struct Draft<'a> {
    species: &'a Species,
    degrees: Degrees,
    out: String,
    used: Vec<&'a str>,
}

impl<'a> Draft<'a> {
    fn new(species: &'a Species, degrees: Degrees) -> Draft<'a> {
        Draft { species, degrees, out: String::new(), used: Vec::new() }
    }

    fn write(mut self) -> String {
        let s = self.species;
        self.line(&format!("# {} ({}): a draft from literature, not advice.", s.common_name, s.scientific_name));
        let apart = [2.0, 5.0].map(|k| number(self.degrees.show_difference(k)));
        self.line(&format!(
            "# Sources disagree by {} to {} degrees {}: a keeper or a vet who knows the animal goes through every line and confirms it.",
            apart[0],
            apart[1],
            self.degrees.letter()
        ));
        self.line(&format!("[care.{}]", s.id));
        self.line(
            "# confirmed_by = \"\"   # the id of the keeper who has gone through it; asked for until it is there",
        );
        self.light();
        self.humidity();
        self.gradient();
        self.warm_side();
        self.place("cool_side", s.cool_c.as_ref(), true);
        self.place("basking_spot", s.basking_c.as_ref(), false);
        self.place("water", s.water_c.as_ref(), false);
        self.brumation();
        self.sources();
        self.out
    }

    fn line(&mut self, text: &str) {
        self.out.push_str(text);
        self.out.push('\n');
    }

    /// `confidence, source: note` of a figure, for a comment.
    fn cite(&mut self, figure: &'a Figure) -> String {
        let number = match self.used.iter().position(|id| *id == figure.source) {
            Some(i) => i + 1,
            None => {
                self.used.push(&figure.source);
                self.used.len()
            }
        };
        let note = if figure.note.is_empty() { String::new() } else { format!("; {}", figure.note) };
        format!("{} confidence, {} [{number}]{note}", figure.confidence, figure.basis)
    }

    fn band(&self, band: Band) -> String {
        let show = |c| number(self.degrees.show(c));
        format!("[{}, {}]", show(band.low), show(band.high))
    }

    fn light(&mut self) {
        let Some(figure) = self.species.photoperiod_h.as_ref() else { return };
        let (Some(winter), Some(summer)) = (figure.winter, figure.summer) else { return };
        let cited = self.cite(figure);
        let middle = number((winter + summer) / 2.0);
        self.line(&format!("# {} h of light in winter to {} h in summer: {cited}", number(winter), number(summer)));
        self.line(&format!("light = {{ on = \"08:00\", hours = {middle} }}   # halfway; the hour is ours"));
        let follow = format!("{{ follow = \"sun\", shortest = {}, longest = {} }}", number(winter), number(summer));
        self.line(&format!("# light = {follow}   # with the seasons; needs [site] position"));
    }

    fn humidity(&mut self) {
        let Some(figure) = self.species.rh_pct.as_ref() else { return };
        let Some(band) = figure.band() else { return };
        let place = if self.species.cool_c.is_some() { "cool_side" } else { "air" };
        let cited = self.cite(figure);
        let wanted = format!("[{}, {}]", number(band.low), number(band.high));
        self.line(&format!("humidity = {{ place = \"{place}\", wanted = {wanted} }}   # {cited}"));
    }

    fn gradient(&mut self) {
        let middle = |f: Option<&Figure>| f.and_then(Figure::band).map(Band::middle);
        let (warm, cool) = (middle(self.species.warm_c.as_ref()), middle(self.species.cool_c.as_ref()));
        let Some(apart) = warm.zip(cool).map(|(w, c)| w - c).filter(|k| *k >= 3.0) else { return };
        let at_least = number((self.degrees.show_difference(apart / 2.0) * 2.0).floor() / 2.0);
        self.line(&format!("gradient = {{ at_least = {at_least} }}   # ours: half of what lies between the two bands"));
    }

    /// The warm side, from the preferred zone where no source gives a warm side of its own.
    fn warm_side(&mut self) {
        let zone = self.species.potz_c.as_ref().filter(|f| !f.note.contains("BODY"));
        match (self.species.warm_c.as_ref(), zone.and_then(Figure::band), zone) {
            (None, Some(band), Some(figure)) if self.species.basking_c.is_none() => {
                let cited = self.cite(figure);
                self.line(&format!("\n[care.{}.warm_side]", self.species.id));
                let upper = wide(Band { low: band.middle(), high: band.high });
                let shown = self.band(upper);
                let zone = self.band(band);
                self.line(&format!("wanted = {shown}   # ours: the upper half of the preferred zone {zone}: {cited}"));
                self.night(upper);
                self.never();
            }
            (warm, ..) => self.place("warm_side", warm, true),
        }
    }

    fn place(&mut self, word: &str, figure: Option<&'a Figure>, has_night: bool) {
        let Some(figure) = figure else { return };
        let Some(band) = figure.band() else { return };
        let cited = self.cite(figure);
        let widened = wide(band);
        self.line(&format!("\n[care.{}.{word}]", self.species.id));
        let shown = self.band(widened);
        let why = if widened == band { String::new() } else { format!(" (the source: {})", self.band(band)) };
        self.line(&format!("wanted = {shown}   # {cited}{why}"));
        if has_night {
            self.night(widened);
        } else if word == "basking_spot" {
            self.line("# no night band: not judged low while lights are off");
        }
        self.never();
    }

    /// The night of a place whose day is `day`: by the drop that sources give, or a band or a least for the whole enclosure.
    fn night(&mut self, day: Band) {
        let s = self.species;
        if let Some((figure, drop)) = s.night_drop_c.as_ref().and_then(|f| f.band().map(|b| (f, b))) {
            let night = Band { low: day.low - drop.high, high: day.high - drop.low };
            let (shown, cited) = (self.band(night), self.cite(figure));
            let drop = [drop.low, drop.high].map(|k| number(self.degrees.show_difference(k)));
            let why = format!("by day less {} to {}: {cited}", drop[0], drop[1]);
            self.line(&format!("night = {shown}   # {why}"));
        } else if let Some((figure, night)) = s.night_c.as_ref().and_then(|f| f.band().map(|b| (f, b))) {
            let (shown, cited) = (self.band(wide(night)), self.cite(figure));
            self.line(&format!("night = {shown}   # {cited}"));
        } else if let Some((figure, least)) = s.night_min_c.as_ref().and_then(|f| f.value.map(|v| (f, v))) {
            let night = Band { low: least.min(day.low), high: day.high };
            let (shown, cited) = (self.band(night), self.cite(figure));
            self.line(&format!("night = {shown}   # ours: from the least that is given for nights: {cited}"));
        }
    }

    fn never(&mut self) {
        self.line("# never = [ , ]   # yours to fill in: outside this a life is in danger. `check` refuses until it is there.");
        let danger = self.species.danger_high_c.as_ref().and_then(|f| f.value.map(|v| (f, v)));
        if let Some((figure, value)) = danger {
            let (shown, cited) = (number(self.degrees.show(value)), self.cite(figure));
            self.line(&format!("#   sources warn of more than {shown}: {cited}"));
        }
    }

    fn brumation(&mut self) {
        let Some(figure) = self.species.brumation_c.as_ref() else { return };
        let Some(band) = figure.band() else { return };
        let (shown, cited) = (self.band(wide(band)), self.cite(figure));
        let weeks =
            figure.weeks_min.zip(figure.weeks_max).map(|(a, b)| format!(", {a} to {b} weeks")).unwrap_or_default();
        let step = number(self.degrees.show_difference(0.5));
        self.line(&format!("\n# Brumation, only if you mean to{weeks}: {cited}"));
        self.line(&format!("# [[care.{}.season]]", self.species.id));
        self.line("# name = \"brumation\"\n# from = \"11-15\"\n# until = \"02-01\"");
        self.line(&format!("# step = {step}"));
        for place in ["warm_side", "cool_side"] {
            self.line(&format!("# {place} = {{ wanted = {shown}, night = {shown}, never = [ , ] }}"));
        }
        self.line("# basking_spot = { judged = false }\n# gradient = { at_least = 0 }\n# light = { on = \"10:00\", hours = 8 }");
    }

    fn sources(&mut self) {
        self.line("\n# Sources");
        if self.degrees == Degrees::F {
            self.line("# (Notes quote their sources in degrees C.)");
        }
        for (i, id) in std::mem::take(&mut self.used).into_iter().enumerate() {
            let Some(source) = LITERATURE.sources.get(id) else { continue };
            let address = if source.address.is_empty() { String::new() } else { format!(", {}", source.address) };
            let _ = writeln!(self.out, "# [{}] {}{address}", i + 1, source.title);
        }
    }
}

/// No narrower than an enclosure can hold.
fn wide(band: Band) -> Band {
    let short = ((NARROWEST_K - (band.high - band.low)) / 2.0).max(0.0);
    Band { low: band.low - short, high: band.high + short }
}

/// To a tenth, without a tenth that is none.
fn number(value: f64) -> String {
    let tenths = format!("{value:.1}");
    tenths.strip_suffix(".0").map(str::to_owned).unwrap_or(tenths)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(id: &str, degrees: Degrees) -> toml::Table {
        let text = draft(id, degrees).unwrap();
        toml::from_str::<toml::Table>(&text).unwrap_or_else(|e| panic!("{id}: {e}\n{text}"))
    }

    fn pairs(value: &toml::Value, found: &mut Vec<(f64, f64)>) {
        match value {
            toml::Value::Table(t) => t.values().for_each(|v| pairs(v, found)),
            toml::Value::Array(a) => {
                let n: Vec<f64> =
                    a.iter().map(|v| v.as_float().or(v.as_integer().map(|i| i as f64)).unwrap()).collect();
                found.push((n[0], n[1]));
            }
            _ => {}
        }
    }

    #[test]
    fn every_draft_is_a_table_with_bands_that_are_none_of_the_laboratorys() {
        let literature: toml::Table = toml::from_str(include_str!("species.toml")).unwrap();
        let of = |s: &toml::Value| ["ctmax_c", "ctmin_c"].map(|k| s.get(k).and_then(|f| f["value"].as_float()));
        let critical: Vec<Vec<f64>> =
            literature["species"].as_array().unwrap().iter().map(|s| of(s).into_iter().flatten().collect()).collect();
        assert_eq!(critical.iter().flatten().count(), 6);
        assert_eq!(known().count(), 20);
        for ((id, ..), critical) in known().zip(&critical) {
            let text = draft(id, Degrees::C).unwrap();
            assert!(text.contains("Sources disagree by 2 to 5 degrees C") && text.contains("# confirmed_by"), "{id}");
            let mut found = Vec::new();
            pairs(&toml::Value::Table(table(id, Degrees::C)), &mut found);
            assert!(!found.is_empty(), "{id}");
            for (low, high) in found {
                assert!(low < high, "{id}: {low} {high}");
                assert!(!critical.contains(&low) && !critical.contains(&high), "{id}: {low} {high}");
            }
            let written: Vec<&str> = text.lines().filter(|l| !l.starts_with('#')).collect();
            assert!(!written.iter().any(|l| l.contains("never")), "{id}: never is the keeper's");
        }
    }

    #[test]
    fn a_corn_snake_in_both_degrees() {
        let celsius = table("corn-snake", Degrees::C);
        let warm = &celsius["care"]["corn-snake"]["warm_side"];
        assert_eq!(warm.to_string(), "{ night = [25, 30], wanted = [28, 32] }");
        let fahrenheit = table("Pantherophis guttatus", Degrees::F);
        let care = &fahrenheit["care"]["corn-snake"];
        assert_eq!(care["warm_side"].to_string(), "{ night = [77, 86], wanted = [82.4, 89.6] }");
        // 8 K between the middles: half are 4 K or 7.2 °F, rounded down to the half degree.
        assert_eq!(celsius["care"]["corn-snake"]["gradient"].to_string(), "{ at_least = 4 }");
        assert_eq!(care["gradient"].to_string(), "{ at_least = 7 }");
        assert!(draft("corn-snake", Degrees::F).unwrap().contains("Sources disagree by 3.6 to 9 degrees F"));
    }

    #[test]
    fn what_is_near_is_offered() {
        assert!(draft("Corn Snake", Degrees::C).is_ok());
        assert!(draft("corn-snak", Degrees::C).unwrap_err().contains("Did you mean corn-snake?"));
        assert!(draft("Testudo hermani", Degrees::C).unwrap_err().contains("Did you mean hermanns-tortoise?"));
        assert!(!draft("elephant", Degrees::C).unwrap_err().contains("Did you mean"));
        assert!(!draft("", Degrees::C).unwrap_err().contains("Did you mean"));
        assert_eq!(distance("kitten", "sitting"), 3);
    }
}
