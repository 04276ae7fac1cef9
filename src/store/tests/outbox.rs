//! The outbox: who is next, what an attempt changes, what a restart keeps, and what goes when it is full.

use super::*;
use crate::store::{Fate, MOST_MAILS};

#[test]
fn a_mail_is_due_until_every_recipient_is_settled_and_a_restart_changes_nothing() {
    let folder = Folder::new();
    let house = open(&folder, START);
    let notices = vec![notice("daily.2026-01-05", Urgency::Note, true), notice("7Q.1", Urgency::Now, false)];
    house.store.commit(wall(START), vec![row("incident/7Q", "1")], notices).wait().unwrap();
    let due = house.store.due(wall(START), 10).wait().unwrap();
    assert_eq!(due.iter().map(|m| m.notice.id.as_str()).collect::<Vec<_>>(), ["7Q.1", "daily.2026-01-05"]);

    let to = vec![
        ("ines@example.org".into(), Fate::Accepted, "250 queued".into()),
        ("tom@example.org".into(), Fate::Waiting, "451 later".into()),
    ];
    let settled = Settled { notice: "7Q.1".into(), at: wall(START), next: wall(START + 60_000), to };
    house.store.settle(settled).wait().unwrap();
    let after_kill = folder.copy();
    drop(house);

    let house = open(&after_kill, START + 1_000);
    assert_eq!(house.store.due(wall(START + 59_999), 10).wait().unwrap().len(), 1, "the letter only");
    let due = house.store.due(wall(START + 60_000), 10).wait().unwrap();
    let alarm = &due[0];
    assert_eq!((alarm.notice.id.as_str(), alarm.attempts, alarm.queued_at), ("7Q.1", 1, wall(START)));
    assert_eq!(alarm.to.iter().map(|r| r.fate).collect::<Vec<_>>(), [Fate::Accepted, Fate::Waiting]);
    assert_eq!(alarm.to[1].words, "451 later");

    let to = vec![("tom@example.org".into(), Fate::Refused, "550 no such user".into())];
    house.store.settle(Settled { notice: "7Q.1".into(), at: wall(START), next: wall(START), to }).wait().unwrap();
    assert_eq!(house.store.due(wall(i64::MAX), 10).wait().unwrap().len(), 1, "the letter only");
    let sent = Reader::open(&after_kill.0).unwrap().mail("7Q.1").unwrap().unwrap();
    assert_eq!((sent.attempts, sent.next), (2, None));
    assert_eq!(sent.to.iter().map(|r| r.fate).collect::<Vec<_>>(), [Fate::Accepted, Fate::Refused]);
}

#[test]
fn a_notice_is_taken_once_for_ever() {
    let folder = Folder::new();
    let house = open(&folder, START);
    for _ in 0..2 {
        house.store.commit(wall(START), vec![], vec![notice("7Q.1", Urgency::Now, false)]).wait().unwrap();
    }
    assert_eq!(house.store.due(wall(START), 10).wait().unwrap().len(), 1);
    let done = ["ines@example.org", "tom@example.org"].map(|a| (a.to_owned(), Fate::Accepted, String::new()));
    let settled = Settled { notice: "7Q.1".into(), at: wall(START), next: wall(START), to: done.to_vec() };
    house.store.settle(settled).wait().unwrap();
    house.store.commit(wall(START), vec![], vec![notice("7Q.1", Urgency::Now, false)]).wait().unwrap();
    assert_eq!(house.store.due(wall(START), 10).wait().unwrap(), []);
}

#[test]
fn a_full_outbox_drops_digests_before_alarms_and_says_so() {
    let folder = Folder::new();
    let house = open(&folder, START);
    let alarms = MOST_MAILS - 1;
    let mut notices = vec![notice("daily.1", Urgency::Note, true), notice("daily.2", Urgency::Note, true)];
    notices.extend((0..alarms).map(|i| notice(&format!("A{i}.1"), Urgency::Now, false)));
    notices.insert(100, notice("T.1", Urgency::Today, false));
    house.store.commit(wall(START), vec![], notices).wait().unwrap();
    let dropped: Vec<String> = house
        .told()
        .into_iter()
        .filter_map(|word| match word {
            Told::Dropped { notice, .. } => Some(notice),
            _ => None,
        })
        .collect();
    assert_eq!(dropped, ["daily.1", "daily.2"]);
    house.store.commit(wall(START), vec![], vec![notice("B.1", Urgency::Now, false)]).wait().unwrap();
    let last = house.told().pop();
    assert!(matches!(&last, Some(Told::Dropped { notice, .. }) if notice == "T.1"), "{last:?}");
    let sent = Reader::open(&folder.0).unwrap().mail("daily.1").unwrap().unwrap();
    assert_eq!(sent.to[0].fate, Fate::Dropped);
}

#[test]
fn a_mail_that_cannot_be_read_costs_no_other() {
    let folder = Folder::new();
    let house = open(&folder, START);
    let notices = vec![notice("7Q.1", Urgency::Now, false), notice("7Q.2", Urgency::Now, false)];
    house.store.commit(wall(START), vec![], notices).wait().unwrap();
    house.store.run("UPDATE mail SET json = '{}' WHERE notice = '7Q.1'").wait().unwrap();
    house.store.close().wait().unwrap();
    let house = open(&folder, START + 1);
    let due = house.store.due(wall(i64::MAX), 9).wait().unwrap();
    assert_eq!(due.iter().map(|m| m.notice.id.as_str()).collect::<Vec<_>>(), ["7Q.2"]);
    assert!(matches!(&house.told()[..], [Told::Log(words)] if words.contains("mail 1")), "{:?}", house.told());
}

/// SQLite says itself, as the row is written, whether it will wait for the disk (PRAGMA synchronous, 2: FULL): under less the mains may
/// take the last commits with them.
#[test]
fn a_mail_is_forced_to_the_disk_itself() {
    let folder = Folder::new();
    let house = open(&folder, START);
    let run = |sql: &str| house.store.run(sql).wait();
    run("CREATE TEMP TRIGGER lazy BEFORE INSERT ON mail WHEN (SELECT synchronous FROM pragma_synchronous) <> 2 \
         BEGIN SELECT RAISE(ABORT, 'not forced'); END")
    .unwrap();
    let lazily = run("PRAGMA synchronous = NORMAL; INSERT INTO mail VALUES(NULL, '7Q.1', '{}', 1, 0, 0, 0)");
    assert!(lazily.unwrap_err().to_string().contains("not forced"));
    house.store.commit(wall(START), vec![], vec![notice("7Q.1", Urgency::Now, false)]).wait().unwrap();
    assert_eq!(house.store.due(wall(START), 10).wait().unwrap().len(), 1);
}
