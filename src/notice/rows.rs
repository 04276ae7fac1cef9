//! Writes the row of a mail: its words, its notice, its recipients.

use super::desk::{Desk, World};
use super::words::{self, Mail, Telling};
use super::{Event, Notice, NoticeRow, round_down};
use crate::finding::cause::Urgency;
use crate::incident::book::Book;
use crate::incident::house::scope_names;
use crate::incident::{Incident, Worse};
use crate::terms::time::Now;

impl Desk {
    pub(super) fn write(&self, incident: &Incident, event: Event, why: Option<Worse>, w: World) -> Mail {
        let World { book, eyes, now } = w;
        let house = book.house();
        let list = if event == Event::Ended { incident.all_enclosures(house) } else { incident.enclosures(house) };
        let thread = self.memory.threads.get(&incident.id);
        let next_repeat = thread.and_then(|t| self.repeats_at(t, incident)).map(|at| self.wall_of(at));
        let next_keeper = thread.and_then(|t| self.next_keeper(t, incident, book));
        let next_keeper = next_keeper.map(|(at, k)| (k.name.clone(), self.wall_of(at)));
        let scenes: Vec<_> = list.iter().map(|ix| (*ix, eyes.scene(*ix))).collect();
        let told_names = thread.map(|t| t.told.keys().map(|k| self.name(k)).collect()).unwrap_or_default();
        words::alarm(&Telling {
            incident,
            event,
            why,
            house,
            scenes,
            eyes,
            local: &self.local,
            settings: &self.settings,
            now,
            next_repeat,
            next_keeper,
            told_names,
            answered_by: incident.answered.as_ref().map(|a| (self.name(&a.by), a.at.wall)),
        })
    }

    fn name(&self, keeper: &str) -> String {
        self.settings.keepers.iter().find(|k| k.id == keeper).map_or(keeper.to_owned(), |k| k.name.clone())
    }

    pub(super) fn notice(
        &self,
        incident: &Incident,
        event: Event,
        to: &[String],
        mail: &Mail,
        book: &Book,
        now: Now,
    ) -> Notice {
        let house = book.house();
        let list = if event == Event::Ended { incident.all_enclosures(house) } else { incident.enclosures(house) };
        let (room, circuit) = scope_names(incident, house);
        let tells = event != Event::Ended;
        Notice {
            at: now.wall,
            incident: Some(incident.id.clone()),
            event,
            urgency: incident.urgency(),
            cause: incident.cause(),
            enclosures: Some(list.into_iter().map(|ix| house.id(ix).to_owned()).collect()),
            place: incident.place(),
            since: (!incident.drill).then(|| incident.since().wall),
            act_by: incident.act_by().filter(|_| tells).map(round_down),
            to: to.to_vec(),
            subject: mail.subject.clone(),
            room: room.map(str::to_owned),
            circuit: circuit.map(str::to_owned),
            letter: None,
            notes: None,
        }
    }

    pub(super) fn row(&mut self, id: String, thread: Option<String>, notice: Notice, mail: Mail) -> NoticeRow {
        self.changed = true;
        let urgent = notice.event != Event::Digest && notice.urgency == Urgency::Now;
        for keeper in &notice.to {
            let tally = self.memory.tally.mails.entry(keeper.clone()).or_default();
            *tally = (tally.0.saturating_add(1), tally.1.saturating_add(u32::from(urgent)));
        }
        if let Some([one]) = notice.enclosures.as_deref() {
            let about = self.memory.tally.about.entry(one.clone()).or_default();
            *about = about.saturating_add(1);
            if let Some(cause) = notice.cause {
                let of_cause = self.memory.tally.causes.entry(one.clone()).or_default().entry(cause).or_default();
                *of_cause = of_cause.saturating_add(1);
            }
        }
        let address =
            |id: &String| self.settings.keepers.iter().find(|k| k.id == *id).map(|k| (k.id.clone(), k.mail.clone()));
        NoticeRow {
            id,
            thread,
            json: notice.json(),
            urgency: notice.urgency,
            digest: notice.event == Event::Digest,
            to: notice.to.iter().filter_map(address).collect(),
            subject: mail.subject,
            text: mail.text,
            html: mail.html,
            picture: mail.picture,
        }
    }
}
