//! How to read the wall: its key, in degrees or laid level.

use super::mark::Mark;
use super::slope::Scale;
use super::standing::House;
use maud::{Markup, html};

pub fn how_to_read(house: &House, scale: Option<Scale>) -> Markup {
    let shapes = [
        (Mark::LOW, "too cold, losing heat", "low"),
        (Mark::HIGH, "too hot, no retreat", "high"),
        (Mark::BLIND, "not watched", ""),
        (Mark::LIGHT, "light differs from plan", ""),
        (Mark::LABEL, "labels doubtful", ""),
        (Mark::HUMID, "humidity", ""),
        (Mark::SHELF, "shelved", ""),
        (Mark::HANDS, "hands in", ""),
    ];
    html! {
        section aria-labelledby="read-h" {
            h2 #read-h { "How to read it" }
            div.key {
                (key_picture(house, scale.is_some()))
                div {
                    @match scale {
                        Some(scale) => p.s.measure {
                            "Each place is a grey block: its wanted band now. The line runs through what the probes read, hot end left, cool end right. "
                            "A well enclosure runs downhill through its blocks; a large dot stands outside its block. One scale for the whole wall, "
                            (house.words.band((scale.low, scale.high))) " " (house.words.unit()) ". Colour and numbers appear only where something is wrong."
                        },
                        None => p.s.measure {
                            "Here the slope is laid level: every place's wanted band is pulled onto one strip, hot end left, cool end right, so a well wall is rows of quiet strips. "
                            "Outside the strip the distance is the same for each kelvin and stops at the edge of the tile. Only what is not in band carries its name."
                        },
                    }
                    ul.shapes.gap {
                        @for (mark, word, class) in shapes { li class=(class) { (mark.draw()) " " (word) } }
                        li.q { "filled: now, hollow: today" }
                    }
                }
            }
        }
    }
}

fn key_picture(house: &House, in_degrees: bool) -> Markup {
    html! {
        @if in_degrees {
            svg viewBox="0 0 330 100" width="330" height="100" aria-hidden="true" {
                path.r30 d="M0 44h180" {}
                path.bd d="M8 36h43v12H8zM68 44h43v12H68zM128 60h43v12h-43z" {}
                path.be d="M8 36h43M8 48h43M68 44h43M68 56h43M128 60h43M128 72h43" {}
                path.ln d="M30 42L90 64" {}
                circle.dt cx="30" cy="42" r="2.6" {} circle.lo cx="90" cy="64" r="5" {} path.si d="M150 60l6 6-6 6-6-6z" {}
                path.rp d="M56 90.5h90v4h-90z" {} path.rs d="M56 90h52v5h-52z" {}
                text x="188" y="48" { "hairline: " (house.words.degrees(30.0)) } text x="188" y="71" { "hollow: not seen" } text x="188" y="96" { "light: planned, seen" }
                text x="30" y="14" text-anchor="middle" { "hot end" } text x="150" y="14" text-anchor="middle" { "cool end" }
            }
        } @else {
            svg viewBox="0 0 330 64" width="330" height="64" aria-hidden="true" {
                path.bd d="M2 16h84v24H2z" {} path.be d="M2 16h84M2 40h84" {} path.ln d="M12 24L44 30L76 50" {} circle.lo cx="76" cy="50" r="5" {}
                text x="98" y="32" { "strip: each place's wanted band" } text x="98" y="55" { "below the strip: too cold" }
            }
        }
    }
}
