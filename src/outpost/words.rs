//! A turn as a mail. It says what is known, which is little: never that an animal is cold, for nobody has seen it.

use super::settings::House;
use super::vigil::Turn;
use crate::finding::cause::Urgency;
use crate::notice::NoticeRow;
use crate::notice::local::Local;
use crate::notice::words::doc::{Block, Doc, Hue};
use crate::notice::words::{finish, subject};
use crate::terms::time::{Span, Wall};

const FOOT: &str =
    "Sent by the outpost, which hears only whether the house speaks. Warmside only watches: it switched nothing.";

/// The mail of a turn. `id`: its own; `thread`: that of the mail which told of the loss.
pub fn mail(house: &House, turn: Turn, id: String, thread: Option<String>, local: &Local, now: Wall) -> NoticeRow {
    let (event, urgency, tail, doc) = match turn {
        Turn::Lost { last, silent } => {
            let tail = last.map_or("never heard".to_owned(), |last| format!("out of reach since {}", local.time(last)));
            ("raised", Urgency::Now, tail, lost(house, last, silent, local, now))
        }
        Turn::Mute => ("raised", Urgency::Now, "awake, but mails fail".to_owned(), mute(house)),
        Turn::Back { told } => ("ended", Urgency::Today, "back".to_owned(), back(house, told, local, now)),
    };
    let mail = finish(&doc, subject::fit(std::slice::from_ref(&house.name), &[tail]));
    let json = serde_json::json!({
        "at": now.rfc3339(),
        "event": event,
        "urgency": urgency.word(),
        "house": house.id,
        "to": house.tells.iter().map(|(keeper, _)| keeper).collect::<Vec<_>>(),
        "subject": mail.subject,
    });
    NoticeRow {
        id,
        thread,
        json: json.to_string(),
        urgency,
        digest: false,
        to: house.tells.clone(),
        subject: mail.subject,
        text: mail.text,
        html: mail.html,
        picture: None,
    }
}

fn doc(house: &House, headline: &str, hue: Hue) -> Doc {
    Doc {
        place: house.name.clone(),
        headline: headline.into(),
        hue,
        blocks: Vec::new(),
        picture: None,
        foot: FOOT.into(),
    }
}

fn lost(house: &House, last: Option<Wall>, silent: Span, local: &Local, now: Wall) -> Doc {
    let mut doc = doc(house, "Cannot be reached: temperatures unknown", Hue::Ink);
    let heard = match last {
        Some(last) => format!("Its Warmside last spoke at {}", local.when(last, now)),
        None => "Its Warmside has never spoken to this outpost".to_owned(),
    };
    let minutes = (silent.as_ms() / 60_000).max(1);
    doc.say_strong(
        "What",
        format!(
            "{heard}, and for {minutes} min of listening nothing has come. Nobody sees how the animals are: they may well \
             be fine."
        ),
    );
    doc.say(
        "Likely",
        "The house has no power, its router or line is down, or the machine that watches stands still. From here these \
         look alike. Rarely it is the outpost's own line.",
    );
    doc.say("If left", "Alarms from the house may reach nobody. A power cut takes heat and watcher together.");
    let steps = [
        "Ask somebody who is there whether the power is on.",
        "If it is: read a thermometer in the enclosures by hand.",
        "Then look at the router, then at the machine.",
    ];
    doc.blocks.push(Block::Steps { label: "Do", steps: steps.map(str::to_owned).into() });
    if let Some(text) = house.what_to_do.clone() {
        doc.blocks.push(Block::Own { label: "Notes", text });
    }
    doc.say("Next", "One more mail when it is back, none before.");
    doc
}

fn back(house: &House, told: Wall, local: &Local, now: Wall) -> Doc {
    let mut doc = doc(house, "Back: its Warmside speaks again", Hue::Edge);
    doc.say(
        "What",
        format!(
            "It was told as out of reach at {}. What went on there meanwhile the outpost does not know: the house's own \
             page and mails say how the animals are.",
            local.when(told, now)
        ),
    );
    doc
}

fn mute(house: &House) -> Doc {
    let mut doc = doc(house, "Awake, but its mails do not go out", Hue::Ink);
    doc.say_strong(
        "What",
        "Its Warmside watches, and says that its mail server takes nothing. How the animals are the outpost does not know.",
    );
    doc.say("If left", "Alarms from the house reach nobody by mail.");
    let steps = [
        "Look at the house's page for open incidents.",
        "Then look at its mail account: password, quota, address of the server.",
    ];
    doc.blocks.push(Block::Steps { label: "Do", steps: steps.map(str::to_owned).into() });
    doc
}
