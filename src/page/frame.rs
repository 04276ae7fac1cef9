//! The shell of every page: head, bar, navigation, veil, footer; and who is reading.

use super::Left;
use super::mark::{Hue, SYMBOLS};
use super::standing::House;
use super::words::{self, Words};
use crate::engine::view::View;
use maud::{DOCTYPE, Markup, html};

/// How old the view may be before the page that shows it greys, s. The veil in `style.css` counts to the same.
pub const OLD_AFTER_S: u64 = 90;

/// Who reads, and what their forms must carry.
#[derive(Clone, Debug, Default)]
pub struct Reader {
    /// What a form must bring back.
    pub token: String,
    /// The keeper that this browser last answered as.
    pub who: Option<String>,
    /// Whether there is a session to leave.
    pub logged_in: bool,
}

/// Which page of the navigation this is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Here {
    Wall,
    Setup,
    Ledger,
    Mails,
    Within,
}

/// Whether a page loads itself again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reload {
    /// Where there are forms to fill in.
    Never,
    /// Every 30 s, where there is no script to hear the watcher.
    WithoutScript,
    /// Every 5 s: somebody holds a probe and looks.
    Often,
}

/// One whole page.
pub struct Page<'a> {
    pub house: &'a House<'a>,
    pub reader: &'a Reader,
    pub here: Here,
    pub title: String,
    /// The address of its live updates; `None`: it has none, and never reloads by itself.
    pub live: Option<String>,
    pub reload: Reload,
    /// How long ago the engine last showed itself, s.
    pub age_s: u64,
    pub main: Markup,
}

impl Page<'_> {
    pub fn draw(&self) -> Markup {
        let old = match self.age_s {
            0..30 => None,
            30..60 => Some("old30"),
            60..OLD_AFTER_S => Some("old60"),
            _ => Some("old90"),
        };
        html! {
            (DOCTYPE)
            html lang="en" class=[old] data-beat="0" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width,initial-scale=1";
                    meta name="color-scheme" content="light dark";
                    @match self.reload {
                        Reload::Never => {}
                        Reload::WithoutScript => noscript { meta http-equiv="refresh" content="30"; },
                        Reload::Often => meta http-equiv="refresh" content="5";,
                    }
                    title { (self.title) " · Warmside" }
                    link rel="stylesheet" href=(super::asset::STYLE);
                    link rel="icon" href="/icon.svg" type="image/svg+xml";
                    @if self.live.is_some() { script src=(super::asset::SCRIPT) defer {} }
                }
                body {
                    (SYMBOLS)
                    a.skip href="#main" { "Skip to what matters" }
                    (veil())
                    (bar(self.house.bar()))
                    (self.header())
                    main.live #main data-live=[self.live.as_deref()] { (self.main) }
                    div.sign { span { "Checked by" } span { "Date, time" } }
                    footer { p { "Warmside only watches; it switches nothing. It does not replace an independent over-temperature cut-out on every heater." } }
                }
            }
        }
    }

    fn header(&self) -> Markup {
        let pages = [
            (Here::Wall, "/", "Wall"),
            (Here::Setup, "/setup", "Setup"),
            (Here::Ledger, "/ledger", "Ledger"),
            (Here::Mails, "/mails", "Mails"),
        ];
        html! {
            header.top {
                p.here { b { "Warmside" } " · " (self.house.view.site) span.sep { " · " } (moment(&self.house.words)) }
                nav aria-label="Pages" {
                    ul {
                        @for (here, address, name) in pages {
                            li { @if here == self.here { b aria-current="page" { (name) } } @else { a href=(address) { (name) } } }
                        }
                        @if self.reader.logged_in {
                            li { form method="post" action="/logout" { (token(self.reader)) button type="submit" { "Log out" } } }
                        }
                    }
                }
            }
        }
    }
}

/// The moment of the picture, as a piece of its own.
pub fn moment(words: &Words) -> Markup {
    html! { time #moment datetime=(words.machine(words.now())) { (words.day_and_clock(words.now())) } }
}

/// The edge that takes the hue of the worst thing that is for now.
pub fn bar(hue: Hue) -> Markup {
    html! { div #bar class={ "bar " (hue.class()) } {} }
}

fn veil() -> Markup {
    html! {
        div.veil role="alert" {
            p {
                "This picture is more than " (OLD_AFTER_S) " s old. " a href="" { "Look again" }
                ". If nothing changes, Warmside or the way to it is down: check the animals."
            }
        }
    }
}

/// The hidden field that makes a form ours.
pub fn token(reader: &Reader) -> Markup {
    html! { input type="hidden" name="token" value=(reader.token); }
}

/// Who answers: nothing to ask where there is one keeper, else a choice that remembers the last.
pub fn who(view: &View, reader: &Reader) -> Markup {
    html! {
        @match view.keepers.as_slice() {
            [] => input type="hidden" name="by" value="page";,
            [only] => input type="hidden" name="by" value=(only.id);,
            several => label {
                "I am"
                select name="by" required {
                    @if reader.who.is_none() { option value="" selected disabled { "choose" } }
                    @for keeper in several {
                        option value=(keeper.id) selected[reader.who.as_deref() == Some(keeper.id.as_str())] { (keeper.name) }
                    }
                }
            },
        }
    }
}

/// A short page of its own: an error, a refusal, the way in.
pub fn bare(title: &str, main: Markup) -> Markup {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width,initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) " · Warmside" }
                link rel="stylesheet" href=(super::asset::STYLE);
                link rel="icon" href="/icon.svg" type="image/svg+xml";
            }
            body {
                div.bar {}
                main #main { (main) }
            }
        }
    }
}

/// What a keeper is told about what they just said, and how to take it back.
pub fn told(house: &House, reader: &Reader, left: Option<&Left>) -> Markup {
    html! {
        @if let Some(Left { answer, undo, by }) = left {
            div.told role="status" {
                p { @if !answer.done { b { "Not done. " } } (words::sentence(&words::cut(&answer.words))) }
                @if let Some(undo) = undo.as_ref().filter(|undo| undo.until > house.now()) {
                    form method="post" action=(undo.path) {
                        (token(reader)) input type="hidden" name="by" value=(by);
                        @for (name, value) in &undo.fields { input type="hidden" name=(name) value=(value); }
                        button type="submit" { "Undo" } " " span.s.q { "until " (house.words.clock(undo.until)) }
                    }
                }
            }
        }
    }
}

/// One segment of an address.
pub fn segment(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-_.~".contains(&byte) {
            out.push(byte as char);
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}
