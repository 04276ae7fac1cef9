//! What the unit lets the daemon have of memory, held by a control group: five thousand probes and a flood of rubbish fit into it.

use crate::mosquitto::Mosquitto;
use rumqttc::{AsyncClient, Event, MqttOptions, Packet, QoS};
use std::fs;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

const ENCLOSURES: usize = 1_250;
const PLACES: [(&str, f64); 4] = [("warm_side", 30.0), ("cool_side", 24.0), ("basking_spot", 32.0), ("hide", 28.0)];
const ROUNDS: usize = 5;
/// Payloads of a megabyte, and small ones that are no readings.
const LARGE: usize = 100;
const SMALL: usize = 20_000;

/// `MemoryMax=` of the unit, bytes.
fn allowed() -> u64 {
    let unit = fs::read_to_string("deploy/warmside.service").expect("the unit");
    let line = unit.lines().find_map(|line| line.strip_prefix("MemoryMax=")).expect("MemoryMax=");
    line.trim_end_matches('M').parse::<u64>().expect("megabytes") << 20
}

/// A control group of this test's own, of either version (docs.kernel.org, cgroup-v1/memory and cgroup-v2).
struct Group {
    folder: PathBuf,
    peak: &'static str,
}

impl Group {
    /// `None`: this machine has no such thing to give.
    fn new(limit: u64) -> Option<Group> {
        let name = format!("warmside-{}", std::process::id());
        for (root, max, peak) in [
            ("/sys/fs/cgroup/memory", "memory.limit_in_bytes", "memory.max_usage_in_bytes"),
            ("/sys/fs/cgroup", "memory.max", "memory.peak"),
        ] {
            let folder = PathBuf::from(root).join(&name);
            if fs::create_dir(&folder).is_err() {
                continue;
            }
            let group = Group { folder, peak };
            if fs::write(group.folder.join(max), limit.to_string()).is_ok() {
                return Some(group);
            }
        }
        None
    }

    fn peak_mib(&self) -> u64 {
        let text = fs::read_to_string(self.folder.join(self.peak)).unwrap_or_default();
        text.trim().parse::<u64>().unwrap_or(0) >> 20
    }
}

impl Drop for Group {
    fn drop(&mut self) {
        for _ in 0..50 {
            if fs::remove_dir(&self.folder).is_ok() {
                return;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
    }
}

struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn house(broker: &Mosquitto) -> PathBuf {
    let page = std::net::TcpListener::bind("127.0.0.1:0").and_then(|l| l.local_addr()).expect("a free port").port();
    let text = format!(
        "site.time_zone = \"Europe/Dublin\"\nbroker.url = \"mqtt://127.0.0.1:{}\"\npage.listen = \"127.0.0.1:{page}\"\n\
         [[keeper]]\nid = \"ines\"\nmail = \"ines@example.org\"\n[care.any]\nconfirmed_by = \"ines\"\n\
         warm_side = {{ wanted = [28, 33] }}\ncool_side = {{ wanted = [21, 27] }}\nbasking_spot = {{ wanted = [28, 36] }}\n\
         hide = {{ wanted = [25, 31] }}\n[[link]]\ntopic = \"rack/{{enclosure}}/{{place}}/temperature\"\n\
         quantity = \"temperature\"\nunit = \"Cel\"\n[[enclosure]]\nids = [\"e0..e{}\"]\ncare = \"any\"\n",
        broker.port,
        ENCLOSURES - 1
    );
    let file = broker.folder.join("warmside.toml");
    fs::write(&file, text).expect("written");
    file
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "needs mosquitto, and a memory control group: root"]
async fn five_thousand_probes_and_rubbish_fit_into_what_the_unit_allows() {
    let Some(group) = Group::new(allowed()) else {
        println!("not tried here: this machine gives no memory control group");
        return;
    };
    let mut broker = Mosquitto::new("memory", "allow_anonymous true\nmax_queued_messages 0\nmax_queued_bytes 0");
    broker.start();
    let file = house(&broker);
    let mut command = Command::new("sh");
    let words = "echo $$ > \"$1/cgroup.procs\" && exec \"$0\" watch --config \"$2\"";
    command.args(["-c", words, env!("CARGO_BIN_EXE_warmside")]).arg(&group.folder).arg(&file);
    command.env_remove("NOTIFY_SOCKET").stdout(Stdio::null()).stderr(Stdio::null());
    let mut daemon = Daemon(command.spawn().expect("starts"));
    let counts = || {
        let mut command = Command::new(env!("CARGO_BIN_EXE_warmside"));
        let output = command.args(["status", "--json", "--config"]).arg(&file).output().expect("runs");
        let view: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap_or_default();
        (view["feed"]["connected"] == true, view["counts"]["accepted"].as_u64().unwrap_or(0))
    };
    let until = async |what: &str, so: &dyn Fn((bool, u64)) -> bool| {
        for _ in 0..600 {
            if so(counts()) {
                return;
            }
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
        panic!("never {what}: {:?}", counts());
    };
    until("connected", &|(connected, _)| connected).await;
    publish(&broker).await;
    let all = (ENCLOSURES * PLACES.len() * ROUNDS) as u64;
    until("all accepted", &|(_, accepted)| accepted >= all).await;
    assert!(daemon.0.try_wait().expect("asked").is_none(), "it died");
    println!("{} probes and {LARGE} MiB of rubbish: at most {} MiB", ENCLOSURES * PLACES.len(), group.peak_mib());
}

/// Rounds of every probe with rubbish between them; returns when the broker has it all.
async fn publish(broker: &Mosquitto) {
    let mut options = MqttOptions::new("sensors", "127.0.0.1", broker.port);
    options.set_max_packet_size(2 << 20, 2 << 20);
    let (client, mut events) = AsyncClient::new(options, 1_000);
    let poll = tokio::spawn(async move {
        while !matches!(events.poll().await.expect("connected"), Event::Incoming(Packet::PubAck(_))) {}
    });
    let say = async |topic: String, payload: Vec<u8>| {
        client.publish(topic, QoS::AtMostOnce, false, payload).await.expect("the client lives");
    };
    for round in 0..ROUNDS {
        for n in 0..ENCLOSURES {
            for (place, level) in PLACES {
                let celsius = level + (round + n) as f64 % 7.0 / 10.0;
                say(format!("rack/e{n}/{place}/temperature"), format!("{celsius:.1}").into_bytes()).await;
            }
        }
        for n in 0..LARGE / ROUNDS {
            say(format!("rack/e{n}/hide/temperature"), vec![b'7'; 1 << 20]).await;
        }
        for n in 0..SMALL / ROUNDS {
            say(format!("rack/x{n}/hide/temperature"), b"rubbish".to_vec()).await;
        }
    }
    // Acknowledged behind all the others.
    client.publish("rack/end", QoS::AtLeastOnce, false, "").await.expect("the client lives");
    poll.await.expect("acknowledged");
}
