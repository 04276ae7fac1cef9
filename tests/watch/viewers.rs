//! Two hundred people look while five thousand probes report: how late the last of them sees a reading, and what it costs.

use super::house::{House, PATIENCE};
use std::io::{BufRead, BufReader, Write};
use std::net::TcpStream;
use std::process::Command;
use std::sync::mpsc;
use std::time::{Duration, Instant};
use warmside::mqtt::sensor::Sensor;
use warmside::mqtt::settings::BuiltinBroker;

const VIEWERS: usize = 200;
const ENCLOSURES: usize = 1_250;
const PLACES: [&str; 4] = ["basking_spot", "warm_side", "hide", "cool_side"];
/// Each probe reports so often.
const EVERY: Duration = Duration::from_secs(30);
const ROUNDS: usize = 20;

/// The daemon's resident memory, MB.
fn memory_mb(pid: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
    let line = status.lines().find(|l| l.starts_with("VmRSS")).unwrap_or_default();
    line.split_whitespace().nth(1).and_then(|kb| kb.parse::<u64>().ok()).unwrap_or(0) / 1_024
}

/// Reads events; says when one holds the row that is waited for: it shows the number itself.
fn look(port: u16, seen: &mpsc::Sender<Instant>) {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("the page listens");
    stream.set_read_timeout(Some(PATIENCE)).expect("set");
    write!(stream, "GET /live/wall HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n").expect("asked");
    for line in BufReader::new(stream).lines().map_while(Result::ok) {
        if line.starts_with("data: ") && line.contains("\"r-m1\"") && seen.send(now()).is_err() {
            return;
        }
    }
}

#[expect(clippy::disallowed_methods, reason = "a measurement looks at a clock")]
fn now() -> Instant {
    Instant::now()
}

/// `CARGO_PROFILE_DEV_OPT_LEVEL=2 cargo test --test watch two_hundred -- --ignored --nocapture`
#[test]
#[ignore = "measures; run it alone, on a quiet machine"]
fn two_hundred_look_while_five_thousand_probes_report() {
    let house = House::new("viewers");
    let ids = format!("ids = [\"a1..a{}\", \"m1\"]", ENCLOSURES - 1);
    house.write(&house.text().replace("id = \"a3\"\nanimal = \"Juno\"", &ids));
    let file = house.file();
    // Sockets of two hundred viewers are more than the usual limit of a shell leaves to one door.
    let run = format!("ulimit -n 8192; exec '{}' watch --config '{}'", env!("CARGO_BIN_EXE_warmside"), file.display());
    let daemon = super::house::Daemon::of(Command::new("sh").args(["-c", &run]));
    daemon.says("connected to the broker");
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().expect("a runtime");
    let address = std::net::SocketAddr::from(([127, 0, 0, 1], house.port));
    let broker = BuiltinBroker { listen: address, login: None }.as_client(address);
    let (rack, marker) = {
        let _inside = runtime.enter();
        let start = |name: &str| Sensor::start(&broker, name).expect("starts");
        (start("rack"), start("marker"))
    };
    runtime.spawn(async move {
        let pause = EVERY / (ENCLOSURES * PLACES.len()) as u32;
        let mut beat = tokio::time::interval(pause);
        for turn in 0_usize.. {
            for i in 1..ENCLOSURES {
                for (p, place) in PLACES.iter().enumerate() {
                    beat.tick().await;
                    let celsius = 29.0 + ((i * 7 + p * 3 + turn * 5) % 20) as f64 / 10.0;
                    rack.say(&format!("rack/a{i}/{place}/temperature"), format!("{celsius:.1}")).await;
                }
            }
        }
    });
    // One whole turn, so that every probe is known.
    std::thread::sleep(EVERY + Duration::from_secs(3));
    let alone = memory_mb(daemon.child.id());
    let (seen, sees) = mpsc::channel();
    for _ in 0..VIEWERS {
        let (seen, port) = (seen.clone(), house.page);
        std::thread::spawn(move || look(port, &seen));
    }
    // Each viewer's first word holds every row.
    for _ in 0..VIEWERS {
        sees.recv_timeout(PATIENCE).expect("a first word");
    }
    std::thread::sleep(Duration::from_secs(5));
    while sees.try_recv().is_ok() {}
    let mut late: Vec<f64> = Vec::new();
    for round in 0..ROUNDS {
        let said = now();
        let celsius = format!("{:.1}", 28.5 + round as f64 / 5.0);
        runtime.block_on(marker.say("rack/m1/warm_side/temperature", celsius));
        late.extend(
            (0..VIEWERS).map(|_| sees.recv_timeout(PATIENCE).expect("seen").duration_since(said).as_secs_f64() * 1e3),
        );
        // Not in step with the loop's own second.
        std::thread::sleep(Duration::from_millis(2_000 + 130 * (round as u64 % 8)));
        while sees.try_recv().is_ok() {}
    }
    late.sort_by(f64::total_cmp);
    let at = |part: usize| late[(late.len() - 1) * part / 100];
    let counts = &house.status()["counts"];
    println!(
        "{} probes every {} s, {VIEWERS} viewers of {ENCLOSURES} enclosures",
        ENCLOSURES * PLACES.len(),
        EVERY.as_secs()
    );
    println!("from publish to the viewer: median {:.0} ms, p99 {:.0} ms, most {:.0} ms", at(50), at(99), at(100));
    println!("memory {alone} MB without viewers, {} MB with; messages so far {counts}", memory_mb(daemon.child.id()));
}
