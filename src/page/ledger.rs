//! The ledger and the mails: what happened, who said what, and each mail as it went out.

use super::forms::MARKS;
use super::frame::{self, Reader, segment, token, who};
use super::past::{Entry, Mail, Told};
use super::standing::House;
use super::{Left, words};
use crate::terms::time::Wall;
use maud::{Markup, html};

/// Lines on one page of the ledger, and mails on one page.
pub const LINES: usize = 100;
/// What is looked through for words that are sought.
pub const SOUGHT: usize = 5_000;

/// Whether all words that are sought stand somewhere in a text, small or large.
pub fn holds(text: &str, sought: &str) -> bool {
    let text = text.to_lowercase();
    sought.to_lowercase().split_whitespace().all(|word| text.contains(word))
}

/// The lines that hold what is sought, at most [`LINES`].
pub fn sought(entries: Vec<Entry>, sought: &str) -> Vec<Entry> {
    let text =
        |e: &Entry| format!("{} {} {} {}", e.kind, e.enclosures.join(" "), e.words, e.by.as_deref().unwrap_or(""));
    entries.into_iter().filter(|e| holds(&text(e), sought)).take(LINES).collect()
}

fn search(action: &str, sought: &str, enclosure: Option<&str>) -> Markup {
    html! {
        form.find.noprint method="get" action=(action) role="search" {
            @if let Some(id) = enclosure { input type="hidden" name="enclosure" value=(id); }
            label { "Words" input type="search" name="q" value=(sought) maxlength="100"; }
            button type="submit" { "Find" }
        }
    }
}

/// The whole ledger, or an enclosure's.
pub fn ledger(
    house: &House,
    entries: &[Entry],
    sought: &str,
    enclosure: Option<&str>,
    trouble: Option<&str>,
) -> Markup {
    html! {
        h1.ttl { "Ledger" @if let Some(id) = enclosure { " of " (house.enclosure(id).map_or(id.to_owned(), words::name)) } }
        (search("/ledger", sought, enclosure))
        @if let Some(why) = trouble { (unread("The ledger", why)) } @else { (lines(house, entries, sought, enclosure)) }
        @if let Some(last) = entries.last().filter(|_| entries.len() >= LINES) {
            @let of = enclosure.map_or(String::new(), |id| format!("&enclosure={}", segment(id)));
            p.gap { a href={ "/ledger?before=" (last.at.as_ms()) "&q=" (segment(sought)) (of) } { "earlier" } }
        }
    }
}

/// Lines of the ledger as a table, newest first; the day stands where it changes. An enclosure's own tell of whom only where it
/// was not alone.
fn lines(house: &House, entries: &[Entry], sought: &str, own: Option<&str>) -> Markup {
    let alone = |entry: &Entry| own.is_some_and(|own| entry.enclosures.iter().all(|id| id == own));
    let whom = !entries.iter().all(alone);
    let days: Vec<String> = entries.iter().map(|e| house.words.day(e.at)).collect();
    html! {
        @if entries.is_empty() { p.q { (nothing("Nothing is written here yet.", sought)) } }
        @else {
            div.scroll {
                table.led.five {
                    thead { tr { th scope="col" { "Day" } th scope="col" { "Time" } th scope="col" { "Kind" } @if whom { th scope="col" { "Whom" } } th scope="col" { "What happened" } } }
                    tbody {
                        @for (i, entry) in entries.iter().enumerate() {
                            tr {
                                td { @if i == 0 || days.get(i - 1) != days.get(i) { (days.get(i).map_or("", String::as_str)) } }
                                td { (house.words.clock(entry.at)) }
                                td.q { (words::cut(&entry.kind)) }
                                @if whom { td { @if !alone(entry) { @for (k, id) in entry.enclosures.iter().take(4).enumerate() { @if k > 0 { ", " } a href={ "/e/" (segment(id)) } { (id) } } @if entry.enclosures.len() > 4 { " and " (entry.enclosures.len() - 4) " more" } } } }
                                td { @if entry.struck { s { (words_of(entry)) } " struck out" } @else { (words_of(entry)) } @if let Some(by) = &entry.by { ", " (words::keeper_name(house.view, by)) } }
                            }
                        }
                    }
                }
            }
        }
    }
}

/// What cannot be read is never told as nothing.
fn unread(what: &str, why: &str) -> Markup {
    html! { p.told role="alert" { (what) " cannot be read now: " (words::cut(why)) } }
}

fn nothing(yet: &str, sought: &str) -> String {
    if sought.trim().is_empty() { yet.to_owned() } else { "Nothing has all these words.".to_owned() }
}

/// A mark by how a keeper says it.
fn words_of(entry: &Entry) -> String {
    let said = MARKS.iter().find(|(word, _)| entry.kind == "mark" && *word == entry.words);
    said.map_or_else(|| words::cut(&entry.words), |(_, said)| (*said).to_owned())
}

/// The last lines of one enclosure, for its page.
pub fn of_enclosure(house: &House, id: &str, told: Told<Vec<Entry>>) -> Markup {
    html! {
        section aria-labelledby="ledger-h" {
            h2 #ledger-h { "Ledger" }
            @match told { Ok(entries) => (lines(house, &entries, "", Some(id))), Err(why) => (unread("The ledger", &why)) }
            p.s.gap.noprint { a href={ "/ledger?enclosure=" (segment(id)) } { "The whole ledger of " (id) } }
        }
    }
}

/// What became of a mail, in a word.
fn fate(mail: &Mail) -> String {
    let has = |word: &str| mail.to.iter().any(|(_, fate, _)| fate == word);
    match () {
        () if mail.to.is_empty() => "nobody to send to".to_owned(),
        () if has("waiting") => "waits".to_owned(),
        () if mail.to.iter().all(|(_, fate, _)| fate == "accepted") => "went out".to_owned(),
        () if has("accepted") => "went out to some".to_owned(),
        () => "did not go out".to_owned(),
    }
}

pub fn mails(
    house: &House,
    reader: &Reader,
    mails: &[Mail],
    sought: &str,
    told: Option<&Left>,
    trouble: Option<&str>,
) -> Markup {
    let post = &house.view.post;
    html! {
        h1.ttl { "Mails" }
        (frame::told(house, reader, told))
        p {
            @match (&post.failing, post.last_accepted) {
                (Some(why), _) => b { "Mail does not go out: " (words::cut(why)) },
                (None, Some(at)) => { "Mail goes out; last " (house.words.when(at)) "." },
                (None, None) => "No mail has gone out yet.",
            }
            @if post.waiting > 0 { " " (words::many(post.waiting.into(), "mail waits", "mails wait")) "." }
        }
        (search("/mails", sought, None))
        @if let Some(why) = trouble { (unread("The list of mails", why)) }
        @else if mails.is_empty() { p.q { (nothing("No mail yet.", sought)) } }
        @else {
            div.scroll {
                table.led {
                    thead { tr { th scope="col" { "When" } th scope="col" { "Subject" } th scope="col" { "To" } th scope="col" { "Fate" } } }
                    tbody {
                        @for mail in mails {
                            tr {
                                td { (house.words.when(mail.queued_at)) }
                                td { a href={ "/mails/" (segment(&mail.notice)) } { (words::cut(&mail.subject)) } }
                                td { (mail.to.iter().map(|(id, ..)| words::keeper_name(house.view, id)).collect::<Vec<_>>().join(", ")) }
                                td.q { (fate(mail)) }
                            }
                        }
                    }
                }
            }
        }
        section.noprint aria-labelledby="drill-h" {
            h2 #drill-h { "Drill" }
            p.measure { "Sends a marked practice alarm the way a true one goes. Answer it, and you know that you would be woken." }
            form.find method="post" action="/drill" { (token(reader)) (who(house.view, reader)) button type="submit" { "Send a practice alarm" } }
        }
    }
}

/// Text in which a blank at the end of a line says that the sentence goes on (RFC 3676, `format=flowed`): as a reader of mail
/// shows it, on a screen of any width.
fn unflowed(text: &str) -> String {
    text.replace("\r\n", "\n").replace(" \n", " ")
}

/// One mail as it went out.
pub fn mail(house: &House, mail: &Mail) -> Markup {
    html! {
        p.crumb { a href="/mails" { "Mails" } ", " (mail.notice) }
        h1.ttl { (words::cut(&mail.subject)) }
        p { (house.words.day_and_clock(mail.queued_at)) "; " (fate(mail)) "." }
        pre.letter { (unflowed(&mail.text)) }
        h2 { "To" }
        ul.says {
            @for (keeper, fate, said) in &mail.to {
                li { span {} p { b { (words::keeper_name(house.view, keeper)) } ": " (fate) ". " span.q { (words::cut(said)) } } p.by {} }
            }
        }
        details { summary { "As a notice, for programs" } p.raw { (mail.json) } }
    }
}

/// `before`: an instant in ms; the far future when none or nonsense is asked for.
pub fn before(asked: Option<&String>) -> Wall {
    asked.and_then(|ms| ms.parse().ok()).map_or(Wall::MAX, Wall::from_ms)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sentences_go_on_and_tables_stay() {
        let sent = "WHAT: Heat is due and none \r\narrives.\r\n\r\nwarm side  29.7\r\nhide       28.3\r\n";
        assert_eq!(unflowed(sent), "WHAT: Heat is due and none arrives.\n\nwarm side  29.7\nhide       28.3\n");
    }

    #[test]
    fn all_words_are_sought_small_or_large() {
        assert!(holds("Warm side fed by Ines", "INES fed"));
        assert!(!holds("Warm side fed by Ines", "ines shed"));
        assert!(holds("anything", ""));
        assert_eq!(before(Some(&"x".to_owned())), Wall::MAX);
        assert_eq!(before(Some(&"5".to_owned())), Wall::from_ms(5));
    }
}
