//! The days before the demo: a healthy house through an engine, as fast as it goes, and what it learned into the store.

use super::super::out;
use super::house::House;
use crate::care::calendar::Calendar;
use crate::config::Config;
use crate::engine::Engine;
use crate::engine::effect::Effect;
use crate::engine::event::Event;
use crate::store::{Names, Opening, Store};
use crate::terms::time::{Now, Wall};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

/// Gives the house as it stands at the end. Mails of those days are counted, not sent.
pub fn live_through(config: &Config, from: Wall, to: Wall) -> Result<House, String> {
    let calendar = Calendar::new(&config.settings.notice.time_zone, None).unwrap_or_else(Calendar::utc);
    let mut house = House::new(from, calendar.offset(from));
    let clock = Arc::new(AtomicI64::new(from.as_ms()));
    let store = open(config, &clock)?;
    let mut engine = Engine::new(Arc::new(config.settings.clone()), Now::at(from.as_ms()));
    let (mut effects, mut readings, mut alarms, mut letters) = (Vec::new(), 0_u64, 0_u32, 0_u32);
    engine.handle(Event::LinkUp, Now::at(from.as_ms()), &mut effects);
    while house.at() < to {
        let said = house.minute();
        let now = Now::at(house.at().as_ms());
        clock.store(now.wall.as_ms(), Ordering::Relaxed);
        // Timers run out in between, each at its own moment.
        while let Some(wake) = engine.next_wake().filter(|wake| *wake < now.mono) {
            engine.handle(Event::Wake, Now::at(wake.as_ms()), &mut effects);
        }
        for one in said {
            let event = Event::Message { topic: &one.topic, payload: one.payload.as_bytes(), retained: false };
            engine.handle(event, now, &mut effects);
        }
        for effect in effects.drain(..) {
            match effect {
                Effect::Keep(reading) => {
                    readings += 1;
                    store.keep(&reading);
                }
                Effect::Commit { rows, notices } => {
                    alarms += notices.iter().filter(|notice| !notice.digest).count() as u32;
                    letters += notices.iter().filter(|notice| notice.digest).count() as u32;
                    store.commit(now.wall, rows, Vec::new()).wait().map_err(|why| why.to_string())?;
                }
                _ => {}
            }
        }
        if house.at().as_ms() % 3_600_000 == 0 {
            store.flush().wait().map_err(|why| why.to_string())?;
        }
    }
    let learned = engine.snapshot().into_iter();
    let learned = learned.filter_map(|row| Some((row.key, row.json?.into_bytes()))).collect();
    store.save(learned).wait().map_err(|why| why.to_string())?;
    store.close().wait().map_err(|why| why.to_string())?;
    out::result(format_args!(
        "… {readings} readings; {letters} letters that said all is well, and {alarms} alarms, would have been mailed."
    ));
    Ok(house)
}

fn open(config: &Config, clock: &Arc<AtomicI64>) -> Result<Store, String> {
    let clock = clock.clone();
    let opening = Opening {
        names: Names::from(&config.settings),
        clock: Arc::new(move || Now::at(clock.load(Ordering::Relaxed))),
        tell: Box::new(|_| {}),
        hook: None,
    };
    Store::open(&config.store, opening).map(|(store, _)| store).map_err(|why| why.to_string())
}
