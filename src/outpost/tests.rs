//! Beats, silence, attacks and restarts, in a time of their own.

use super::beat::{Beat, CHALLENGE_LIVES, Ear, Key, Refusal};
use super::book::{Book, Kind, Page};
use super::settings::House;
use super::vigil::{LISTENED, MISSED, STEADY, State, Stored, Turn, Vigil};
use crate::notice::local::Local;
use crate::terms::quantity::Degrees;
use crate::terms::secret::Secret;
use crate::terms::time::{Mono, Now, Span, Wall};
use std::time::Duration;

const KEY: &str = "0123456789abcdef0123456789abcdef";
/// 2026-03-03T14:00:00Z.
const AT: i64 = 1_772_546_400_000;

fn at(s: i64) -> Now {
    Now { mono: Mono::from_ms(s * 1_000), wall: Wall::from_ms(AT + s * 1_000) }
}

fn beat(mails: bool) -> Beat {
    Beat { challenge: String::new(), every: Span::min(1), mails }
}

/// Plays so many seconds: a look each second, a beat in each minute where `beats` says so. What turned, and when.
fn play(vigil: &mut Vigil, seconds: std::ops::Range<i64>, beats: impl Fn(i64) -> Option<bool>) -> Vec<(i64, Turn)> {
    let mut turns = Vec::new();
    for s in seconds {
        turns.extend(vigil.look(at(s)).map(|turn| (s, turn)));
        if s % 60 == 0
            && let Some(mails) = beats(s)
        {
            turns.extend(vigil.beat(&beat(mails), at(s)).map(|turn| (s, turn)));
        }
    }
    turns
}

#[test]
fn five_missed_are_told_once_and_the_return_once() {
    let mut vigil = Vigil::new(None, at(0));
    let turns = play(&mut vigil, 0..20_000, |s| (s <= 600 || s >= 10_020).then_some(true));
    let [(lost, Turn::Lost { last, .. }), (back, Turn::Back { told })] = turns[..] else { panic!("{turns:?}") };
    assert_eq!(last, Some(at(600).wall));
    // The fifth was due at 900 s; the sixth would be at 960 s.
    assert!((901..960).contains(&lost), "{lost}");
    assert_eq!((back, told), (10_020 + 60 * i64::from(STEADY - 1), at(lost).wall));
}

#[test]
fn four_missed_are_nothing() {
    let mut vigil = Vigil::new(None, at(0));
    let turns = play(&mut vigil, 0..50_000, |s| (s / 60 % MISSED == 0).then_some(true));
    assert_eq!(turns, []);
}

#[test]
fn a_line_that_flaps_is_one_loss() {
    let mut vigil = Vigil::new(None, at(0));
    // One beat every seven minutes for a day.
    let turns = play(&mut vigil, 0..86_400, |s| (s / 60 % 7 == 0).then_some(true));
    assert!(matches!(turns[..], [(_, Turn::Lost { .. })]), "{turns:?}");
}

#[test]
fn a_house_that_never_spoke_is_told_as_such() {
    let mut vigil = Vigil::new(None, at(0));
    let turns = play(&mut vigil, 0..5_000, |_| None);
    assert!(matches!(turns[..], [(_, Turn::Lost { last: None, .. })]), "{turns:?}");
}

#[test]
fn while_we_slept_nobody_was_missed() {
    let mut vigil = Vigil::new(None, at(0));
    assert_eq!(play(&mut vigil, 0..300, |_| Some(true)), []);
    // The machine slept for a day, or we stood still: the next look comes late, and the house speaks at once.
    assert_eq!(vigil.look(at(86_700)), None);
    assert_eq!(vigil.beat(&beat(true), at(86_701)), None);
    // It speaks no more: from here on we listen.
    let turns = play(&mut vigil, 86_702..90_000, |_| None);
    assert!(matches!(turns[..], [(s, Turn::Lost { .. })] if s > 86_701 + 300), "{turns:?}");
    assert!(LISTENED < Span::min(MISSED));
}

#[test]
fn a_restart_tells_nothing_a_second_time_and_forgets_nothing() {
    let mut first = Vigil::new(None, at(0));
    let turns = play(&mut first, 0..1_200, |s| (s <= 60).then_some(true));
    assert!(matches!(turns[..], [(_, Turn::Lost { .. })]), "{turns:?}");
    let stored: Stored = serde_json::from_str(&serde_json::to_string(&first.stored()).unwrap()).unwrap();
    assert_eq!(stored, first.stored());
    let mut second = Vigil::new(Some(stored), at(5_000));
    assert_eq!(play(&mut second, 5_000..9_000, |_| None), [], "told before");
    let turns = play(&mut second, 9_000..10_000, |_| Some(true));
    assert!(matches!(turns[..], [(_, Turn::Back { .. })]), "{turns:?}");
    // Heard before the restart, silent since: five are missed anew, from the moment that we listen.
    let mut third = Vigil::new(Some(second.stored()), at(50_000));
    let turns = play(&mut third, 50_000..51_000, |_| None);
    assert!(matches!(turns[..], [(s, Turn::Lost { last: Some(_), .. })] if s > 50_300), "{turns:?}");
}

#[test]
fn a_wall_clock_that_jumps_changes_nothing_but_words() {
    for jump_s in [-5_000_000_000, -86_400, -3_600, 3_600, 86_400, 5_000_000_000_i64] {
        let mut vigil = Vigil::new(None, at(0));
        let turns: Vec<Turn> = (0..7_200)
            .flat_map(|s| {
                let jumped = if s < 3_000 { 0 } else { jump_s };
                let now = Now { wall: at(s + jumped).wall, ..at(s) };
                let heard = (s % 60 == 0 && s < 6_000).then(|| vigil.beat(&beat(true), now)).flatten();
                [heard, vigil.look(now)].into_iter().flatten().collect::<Vec<_>>()
            })
            .collect();
        assert!(matches!(turns[..], [Turn::Lost { .. }]), "{jump_s}: {turns:?}");
    }
}

#[test]
fn a_house_whose_mails_fail_is_told_once() {
    let mut vigil = Vigil::new(None, at(0));
    let turns = play(&mut vigil, 0..7_200, |s| Some(!(1_200..3_600).contains(&s) && s != 600));
    assert_eq!(turns, [(1_200 + 60 * (MISSED - 1), Turn::Mute)]);
}

/// What a stranger may try, and what it comes to.
#[test]
fn forged_and_replayed_beats_count_for_nothing() {
    let secret = Secret::new(KEY);
    let other = Secret::new("another key of thirty-two letters");
    let s = Duration::from_secs;
    let mut ear = Ear::new([1; 32], [("home", &secret), ("other", &other)]);
    let key = Key::new(&secret).unwrap();
    let say = |challenge: &str| Beat { challenge: challenge.into(), ..beat(true) }.bytes();
    let said = |key: &Key, house: &str, challenge: &str| {
        let bytes = say(challenge);
        let tag = key.sign(house, &bytes);
        (bytes, tag)
    };
    let challenge = ear.challenge("home", s(100));
    let (bytes, tag) = said(&key, "home", &challenge);

    // Somebody without the key.
    let (guessed, guess) = said(&Key::new(&Secret::new("x".repeat(32))).unwrap(), "home", &challenge);
    assert_eq!(ear.hear("home", &guessed, &guess, s(101)), Err(Refusal::Signature));
    // Another house's key, or its own word under another's name.
    let (theirs, their_tag) = said(&Key::new(&other).unwrap(), "other", &challenge);
    assert_eq!(ear.hear("home", &theirs, &their_tag, s(101)), Err(Refusal::Signature));
    assert_eq!(ear.hear("other", &bytes, &tag, s(101)), Err(Refusal::Signature));
    assert_eq!(ear.hear("nobody", &bytes, &tag, s(101)), Err(Refusal::UnknownHouse));
    // One bit of it changed; no signature; rubbish as a signature.
    for ix in 0..bytes.len() {
        let mut changed = bytes.clone();
        changed[ix] ^= 1;
        assert_eq!(ear.hear("home", &changed, &tag, s(101)), Err(Refusal::Signature));
    }
    for rubbish in ["", "=", "AAAA", &tag[1..], &format!("{tag}A"), "\u{1F98E}"] {
        assert_eq!(ear.hear("home", &bytes, rubbish, s(101)), Err(Refusal::Signature), "{rubbish}");
    }
    // The outpost's own answer is no beat, nor is a beat an answer.
    assert_eq!(ear.hear("home", &bytes, &key.sign_heard("home", &challenge), s(101)), Err(Refusal::Signature));
    assert!(!key.is_heard("home", &challenge, &tag));

    // The house itself is heard, after all that; what was recorded of it is worth nothing.
    assert!(ear.hear("home", &bytes, &tag, s(101)).is_ok());
    assert_eq!(ear.hear("home", &bytes, &tag, s(101)), Err(Refusal::Again));
    let older = said(&key, "home", &ear.challenge("home", s(99)));
    assert_eq!(ear.hear("home", &older.0, &older.1, s(102)), Err(Refusal::Again), "an older challenge is used up too");
    // Held back.
    let held = said(&key, "home", &ear.challenge("home", s(200)));
    let late = s(201) + CHALLENGE_LIVES;
    assert_eq!(ear.hear("home", &held.0, &held.1, late), Err(Refusal::Late));
    // A challenge of one's own making, of another house, or of the outpost's life before its restart.
    for made in ["", ".", "ffffffff.AAAA", "64", "-1.x", &ear.challenge("other", s(300))] {
        let made = said(&key, "home", made);
        assert_eq!(ear.hear("home", &made.0, &made.1, s(300)), Err(Refusal::Challenge));
    }
    let mut restarted = Ear::new([2; 32], [("home", &secret)]);
    assert_eq!(restarted.hear("home", &bytes, &tag, s(101)), Err(Refusal::Challenge));
    // Signed by the house, and not in our words.
    for odd in [&b"{}"[..], b"", b"[]", b"\xff", &[b'['; 2_000]] {
        assert_eq!(ear.hear("home", odd, &key.sign("home", odd), s(400)), Err(Refusal::Unreadable));
    }
    let slow = Beat { challenge: ear.challenge("home", s(400)), every: Span::days(365), mails: true }.bytes();
    assert_eq!(ear.hear("home", &slow, &key.sign("home", &slow), s(400)), Err(Refusal::Unreadable));
    assert!(Key::new(&Secret::new("short")).is_none());
    assert!(!format!("{key:?} {ear:?}").contains("0123"));
}

/// HMAC-SHA256 by RFC 4231, test case 2, so that another program can speak to an outpost.
#[test]
fn the_signature_is_that_of_the_rfc() {
    use base64::Engine;
    let key = ring::hmac::Key::new(ring::hmac::HMAC_SHA256, b"Jefe");
    let tag = ring::hmac::sign(&key, b"what do ya want for nothing?");
    let hex: String = tag.as_ref().iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(hex, "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843");
    // What is signed: what it is, the house, the bytes, each on its line.
    let secret = Secret::new(KEY);
    let ours = ring::hmac::Key::new(ring::hmac::HMAC_SHA256, KEY.as_bytes());
    let by_hand = ring::hmac::sign(&ours, b"warmside beat 1\nhome\n{}");
    let by_hand = base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(by_hand);
    assert_eq!(Key::new(&secret).unwrap().sign("home", b"{}"), by_hand);
}

fn house(tells: &[&str]) -> House {
    House {
        id: "home".into(),
        name: "Hollow Lane\r\nBcc: evil@example.org".into(),
        key: Secret::new(KEY),
        what_to_do: Some("Tom has a key.".into()),
        tells: tells.iter().map(|t| (t.split('@').next().unwrap_or_default().to_owned(), t.to_string())).collect(),
    }
}

fn open(page: Page, tells: &[&str], now: Now) -> Book {
    Book::open(page, vec![house(tells)], Local::new("Europe/Dublin", Degrees::C), now)
}

fn listen(book: &mut Book, seconds: std::ops::Range<i64>, speaks: bool) {
    for s in seconds {
        book.look(at(s));
        if speaks && s % 60 == 0 {
            book.beat("home", &beat(true), at(s));
        }
    }
}

const INES: &str = "ines@example.org";
const TOM: &str = "tom@example.org";

#[test]
fn a_mail_is_in_the_book_before_it_is_sent_and_goes_once() {
    let mut book = open(Page::first([9; 16]), &[INES, TOM], at(0));
    listen(&mut book, 0..600, true);
    assert!(book.due(at(600).wall, 9).is_empty());
    listen(&mut book, 600..2_000, false);
    let due = book.due(at(2_000).wall, 9);
    assert_eq!((due.len(), due[0].kind, &due[0].waiting[..]), (1, Kind::Lost, &[INES.to_owned(), TOM.to_owned()][..]));
    // Killed before it went out: the next one sends the same, under the same id.
    let mut again = open(Page::read(&book.page().bytes()).unwrap(), &[INES, TOM], at(2_100));
    let due_again = again.due(at(2_100).wall, 9);
    assert_eq!(due_again, due);
    again.settle(&due[0].row.id, &[INES.into(), TOM.into()], &[], at(2_100).wall, at(2_100).wall);
    let mut third = open(Page::read(&again.page().bytes()).unwrap(), &[INES, TOM], at(2_200));
    listen(&mut third, 2_200..9_000, false);
    assert!(third.due(at(9_000).wall, 9).is_empty(), "told once");
    listen(&mut third, 9_000..9_600, true);
    let back = third.due(at(9_600).wall, 9);
    assert_eq!((back.len(), back[0].kind, back[0].waiting.len()), (1, Kind::Back, 2));
    assert_eq!(back[0].row.thread.as_deref(), Some(due[0].row.id.as_str()), "one thread");
    third.settle(&back[0].row.id, &[INES.into(), TOM.into()], &[], at(9_700).wall, at(9_700).wall);
    assert!(third.due(at(20_000).wall, 9).is_empty());
    let states: Vec<State> = third.states().map(|(_, state)| state).collect();
    assert_eq!(states, [State::Heard]);
}

/// The outpost's own line was down: the house was missed, the mail could not go, and both are back.
#[test]
fn whoever_was_not_alarmed_is_not_told_of_the_end() {
    let mut book = open(Page::first([9; 16]), &[INES, TOM], at(0));
    listen(&mut book, 0..120, true);
    listen(&mut book, 120..1_000, false);
    let lost = book.due(at(1_000).wall, 9).remove(0).row.id;
    book.settle(&lost, &[INES.into()], &[], at(1_060).wall, at(1_000).wall);
    assert_eq!(book.due(at(1_060).wall, 9)[0].waiting, [TOM]);
    listen(&mut book, 1_000..1_500, true);
    let due = book.due(at(1_500).wall, 9);
    assert_eq!((due.len(), due[0].kind, &due[0].waiting[..]), (1, Kind::Back, &[INES.to_owned()][..]));
    // An attempt that was under way all the while reached Tom after all: then he hears of the end too.
    book.settle(&lost, &[TOM.into()], &[], at(1_600).wall, at(1_600).wall);
    assert_eq!(book.due(at(1_600).wall, 9)[0].waiting, [INES, TOM]);
}

#[test]
fn a_thousand_losses_leave_a_small_book() {
    let mut book = open(Page::first([9; 16]), &[INES], at(0));
    for round in 0..1_000 {
        let begin = round * 1_200;
        listen(&mut book, begin..begin + 300, true);
        listen(&mut book, begin + 300..begin + 1_200, false);
    }
    assert!(book.page().mails.len() <= 100, "{}", book.page().mails.len());
    assert!(book.page().bytes().len() < 1 << 20);
}

#[test]
fn mails_say_what_is_known_and_never_that_it_is_cold() {
    let mut book = open(Page::first([9; 16]), &[INES], at(0));
    listen(&mut book, 0..300, true);
    listen(&mut book, 300..1_000, false);
    let lost = book.due(at(1_000).wall, 9).remove(0);
    book.settle(&lost.row.id, &[INES.into()], &[], at(1_000).wall, at(1_000).wall);
    listen(&mut book, 1_000..1_300, true);
    let back = book.due(at(1_300).wall, 9).remove(0);
    for mail in [&lost, &back] {
        // Of the HTML its body: the style sheet before it has names for colours.
        let html = mail.row.html.split("<body").last().unwrap_or_default();
        let words = format!("{}\n{}\n{html}", mail.row.subject, mail.row.text).to_lowercase();
        for claim in ["cold", "hot", "degrees", "°", "below", "dead", "dying"] {
            assert!(!words.contains(claim), "{claim}: {words}");
        }
        assert!(mail.row.subject.is_ascii() && mail.row.subject.len() <= 45, "{}", mail.row.subject);
        assert!(!mail.row.subject.contains(['\r', '\n']));
        assert!(!mail.row.text.lines().any(|line| line.starts_with("Bcc")), "{}", mail.row.text);
        assert!(mail.row.text.replace(" \n", " ").contains("it switched nothing"), "{}", mail.row.text);
    }
    assert!(lost.row.text.contains("Cannot be reached: temperatures unknown"), "{}", lost.row.text);
    assert!(lost.row.text.contains("14:04") && lost.row.text.contains("Tom has a key."), "{}", lost.row.text);
    assert!(lost.row.subject.ends_with("out of reach since 14:04"), "{}", lost.row.subject);
    assert!(back.row.text.contains("Back: its Warmside speaks again"), "{}", back.row.text);
}
