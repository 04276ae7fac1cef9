//! Death at any moment: the real binary between a real broker and a real mail server, killed again and again while readings are
//! published at QoS 1 that raise real incidents. `WARMSIDE_KILLS`: how often (5 where it is not set).

use crate::mail_server::{Certificate, MailServer, PASSWORD};
use crate::mosquitto::Mosquitto;
use mail_parser::MessageParser;
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use warmside::mqtt::sensor::Sensor;
use warmside::notice::message_id::Seal;
use warmside::store::reader::Reader;
use warmside::terms::time::Wall;

/// Enclosures in which all is well: message `n` is of the `n`th of them, round and round, so that a burst after a pause does
/// not bring two readings of one probe in one millisecond, of which the store keeps one.
const CALM: u64 = 64;
/// Between messages about calm enclosures, and between messages about those that are too hot.
const BEAT: Duration = Duration::from_millis(25);
/// The next enclosure becomes too hot after so many beats.
const NEXT_HOT: u64 = 80;

struct House {
    broker: Mosquitto,
    mail: MailServer,
    hot: u64,
}

impl House {
    fn new(hot: u64) -> House {
        let (broker, mail) = (Mosquitto::open("killed"), MailServer::start(Certificate::Good));
        let page = std::net::TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port();
        let mut text = format!(
            r#"
[site]
name = "Test Lane"
time_zone = "Europe/Dublin"
[broker]
url = "mqtt://127.0.0.1:{}"
[post]
server = "smtps://localhost:{}"
user = "{}"
password_file = "post"
ca_file = "ca.pem"
from = "Warmside <warmside@example.org>"
at_most = 1000
[letters]
daily = false
weekly = false
[page]
listen = "127.0.0.1:{page}"
[[keeper]]
id = "ines"
name = "Ines"
mail = "ines@example.org"
[care.any]
warm_side = {{ wanted = [8, 12], never = [4, 15] }}
[[link]]
topic = "rack/{{enclosure}}/{{place}}/temperature"
quantity = "temperature"
unit = "Cel"
[[enclosure]]
ids = ["calm0..calm{}"]
care = "any"
heat = []
"#,
            broker.port,
            mail.submissions,
            mail.user,
            CALM - 1,
        );
        for n in 0..hot {
            // A room each: what becomes too hot in one room is one incident, and here each is to be one of its own.
            text += &format!("[[room]]\nid = \"room{n}\"\nname = \"Room {n}\"\n");
            text += &format!("[[enclosure]]\nid = \"hot{n}\"\ncare = \"any\"\nheat = []\nroom = \"room{n}\"\n");
        }
        for (name, bytes) in [("warmside.toml", text.as_bytes()), ("post", PASSWORD.as_bytes()), ("ca.pem", &mail.ca)] {
            fs::write(broker.folder.join(name), bytes).expect("written");
        }
        House { broker, mail, hot }
    }

    fn state(&self) -> PathBuf {
        self.broker.folder.join("state")
    }

    fn watch(&self) -> Daemon {
        let mut command = Command::new(env!("CARGO_BIN_EXE_warmside"));
        let config = self.broker.folder.join("warmside.toml");
        command.arg("watch").arg("--config").arg(config).env_remove("NOTIFY_SOCKET");
        Daemon(command.stdout(Stdio::null()).stderr(Stdio::null()).spawn().expect("starts"))
    }

    /// Moment and value of each stored reading of a calm enclosure, by the number of its message.
    fn stored(&self) -> BTreeMap<u64, Wall> {
        let mut stored = BTreeMap::new();
        let Ok(reader) = Reader::open(&self.state()) else { return stored };
        for calm in 0..CALM {
            let probe = format!("enclosure/calm{calm}/warm_side.temperature");
            let readings = reader.readings(&probe, Wall::MIN, Wall::MAX, usize::MAX).unwrap_or_default();
            stored.extend(readings.into_iter().map(|(at, value)| (number(value, calm), at)));
        }
        stored
    }

    /// Notices by id, with what they tell, and whether their mails still wait.
    fn notices(&self) -> BTreeMap<String, (Told, bool)> {
        let Ok(mails) = Reader::open(&self.state()).and_then(|reader| reader.mails(10_000)) else {
            return BTreeMap::new();
        };
        let told = mails.into_iter().map(|mail| {
            let told: Told = serde_json::from_str(&mail.notice.json).expect("a notice");
            (mail.notice.id, (told, mail.next.is_some()))
        });
        told.collect()
    }

    /// Message-IDs that arrived, by the notice that they name.
    fn arrived(&self, seal: &Seal) -> BTreeMap<String, BTreeSet<String>> {
        let mut arrived = BTreeMap::<String, BTreeSet<String>>::new();
        for mail in self.mail.arrived() {
            let id = MessageParser::default().parse(&mail).and_then(|mail| mail.message_id().map(str::to_owned));
            let id = id.expect("a Message-ID");
            let notice = seal.notice(&id).expect("an id of this house, and of no other store");
            arrived.entry(notice).or_default().insert(id);
        }
        arrived
    }
}

/// The value of message `n`, within what is wanted and of no two messages of one enclosure: 8.000 to 11.999.
fn value(n: u64) -> String {
    format!("{:.3}", 8.0 + (n / CALM) as f64 / 1_000.0)
}

fn number(value: f64, calm: u64) -> u64 {
    ((value - 8.0) * 1_000.0).round() as u64 * CALM + calm
}

#[derive(Deserialize)]
struct Told {
    event: String,
    incident: Option<String>,
    #[serde(default)]
    enclosures: Vec<String>,
}

struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        // SIGKILL.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "needs mosquitto and a real mail server"]
async fn killed_at_random_moments_each_incident_is_mailed_under_one_id_and_every_hole_is_known() {
    let kills: u64 = std::env::var("WARMSIDE_KILLS").ok().and_then(|n| n.parse().ok()).unwrap_or(5);
    let house = House::new(3 * kills);
    let said = Arc::new(AtomicU64::new(0));
    let speaking = tokio::spawn(speak(house.broker.plain(), house.hot, said.clone()));
    let mut stored = BTreeMap::new();
    // xorshift64, so that every run kills at the same delays; where they fall is up to the machine.
    let mut random = 88_172_645_463_325_252_u64;
    for _ in 0..kills {
        let daemon = house.watch();
        random ^= random << 13;
        random ^= random >> 7;
        random ^= random << 17;
        // An incident takes five to six seconds of too much heat: the last part of this is where mails are under way.
        tokio::time::sleep(Duration::from_millis(500 + random % 8_500)).await;
        drop(daemon);
        let now = house.stored();
        assert!(stored.iter().all(|(n, at)| now.get(n) == Some(at)), "what was stored is stored");
        stored = now;
    }
    let _daemon = house.watch();
    let raised = everything_is_mailed(&house, kills).await;
    speaking.abort();
    println!("{kills} kills, {} readings stored, {raised} incidents raised", house.stored().len());
    holes_are_known(&house, said.load(Ordering::SeqCst), kills);
}

/// Publishes: always the next calm enclosure, and all that are too hot by now twice a second.
async fn speak(broker: warmside::mqtt::settings::Broker, hot: u64, said: Arc<AtomicU64>) {
    let sensor = Sensor::start(&broker, "sensor-1").expect("starts");
    for n in 0.. {
        sensor.say(&format!("rack/calm{}/warm_side/temperature", n % CALM), value(n)).await;
        said.store(n, Ordering::SeqCst);
        if n % 20 == 0 {
            for which in 0..hot.min(n / NEXT_HOT) {
                sensor.say(&format!("rack/hot{which}/warm_side/temperature"), "60.5").await;
            }
        }
        tokio::time::sleep(BEAT).await;
    }
}

/// Waits until each enclosure that is too hot has been mailed about, and holds what arrived against what was committed.
async fn everything_is_mailed(house: &House, kills: u64) -> usize {
    let hot: BTreeSet<String> = (0..house.hot).map(|n| format!("hot{n}")).collect();
    let mut notices = BTreeMap::new();
    for _ in 0..6_000 {
        tokio::time::sleep(Duration::from_millis(100)).await;
        notices = house.notices();
        let raised = notices.values().filter(|(told, _)| told.event == "raised");
        let named: BTreeSet<_> = raised.flat_map(|(told, _)| &told.enclosures).cloned().collect();
        if hot.is_subset(&named) && notices.values().all(|(_, waits)| !waits) {
            break;
        }
    }
    let mut times = BTreeMap::<&str, u64>::new();
    let mut of_incident = BTreeMap::<&str, BTreeSet<&str>>::new();
    for (id, (told, waits)) in &notices {
        assert!(!waits, "{id} still waits");
        if let Some(incident) = told.incident.as_deref().filter(|_| told.event == "raised") {
            of_incident.entry(incident).or_default().insert(id);
            told.enclosures.iter().for_each(|enclosure| *times.entry(enclosure).or_default() += 1);
        }
    }
    assert!(hot.iter().all(|id| times.get(id.as_str()) == Some(&1)), "each was raised once: {times:?}");
    assert!(of_incident.values().all(|ids| ids.len() == 1), "{of_incident:?}");
    assert!(of_incident.len() as u64 >= kills, "{} incidents: nothing was tried", of_incident.len());

    let seal = Seal::new(&site(house));
    // What the server has accepted it lays down when it comes to it.
    let mut arrived = house.arrived(&seal);
    for _ in 0..6_000 {
        if of_incident.values().flatten().all(|id| arrived.contains_key(*id)) {
            break;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
        arrived = house.arrived(&seal);
    }
    let strange: Vec<_> = arrived.keys().filter(|notice| !notices.contains_key(*notice)).collect();
    assert!(strange.is_empty(), "mailed and never committed: {strange:?}");
    for (incident, ids) in &of_incident {
        for id in ids {
            let distinct = arrived.get(*id).map_or(0, BTreeSet::len);
            assert_eq!(distinct, 1, "Message-IDs of {id}, raised for {incident}");
        }
    }
    of_incident.len()
}

/// The store's random part, by a connection of the test's own.
fn site(house: &House) -> String {
    let db = rusqlite::Connection::open(house.state().join("warmside.db")).expect("opens");
    db.query_row("SELECT value FROM meta WHERE key = 'site'", [], |r| r.get(0)).expect("a site")
}

/// Between two stored readings where messages are missing there is a gap, and it says why.
fn holes_are_known(house: &House, said: u64, kills: u64) {
    let stored = house.stored();
    let gaps = Reader::open(&house.state()).and_then(|reader| reader.gaps(Wall::MIN, Wall::MAX)).expect("reads");
    assert!(gaps.len() as u64 >= kills, "each death leaves a gap, {} are known", gaps.len());
    let (mut missing, mut holes) = (0, 0);
    let all: Vec<(u64, Wall)> = stored.into_iter().collect();
    for pair in all.windows(2) {
        let ((before, from), (after, to)) = (pair[0], pair[1]);
        if after == before + 1 {
            continue;
        }
        missing += after - before - 1;
        holes += 1;
        let known = gaps.iter().any(|gap| gap.since < to && gap.until.is_none_or(|until| until > from));
        assert!(
            known,
            "{} messages are missing from {from:?} to {to:?}, and no gap is known: {gaps:?}",
            after - before - 1
        );
    }
    // From a start until the link is up nobody listens either.
    for gap in &gaps {
        let Some(until) = gap.until.filter(|_| gap.why.starts_with("not running")) else { continue };
        let Some((_, heard)) = all.iter().find(|(_, at)| *at > until) else { continue };
        let goes_on = gaps.iter().any(|next| next.since <= *heard && next.until.is_none_or(|end| end > until));
        assert!(goes_on, "started at {until:?}, heard something at {heard:?}, and no gap between: {gaps:?}");
    }
    println!("{missing} of {said} messages fell into {holes} holes, all of them known");
    assert!(holes > 0, "nothing was ever missed: nothing was tried");
}
