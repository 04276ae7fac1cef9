//! What strangers may use up: descriptors, and the disk by way of the log.

use crate::house::{Daemon, House};
use std::fs;
use std::os::unix::net::UnixStream;
use std::process::Command;
use std::time::Duration;
use warmside::mqtt::sensor::Sensor;
use warmside::mqtt::settings::BuiltinBroker;

/// Whoever knocks at every door without end takes what the doors may take, and no more: the house is watched and mailed about.
#[test]
fn short_of_descriptors_it_watches_and_mails() {
    let house = House::new("descriptors");
    let mut command = Command::new("sh");
    let watch = "ulimit -n 64; exec \"$0\" watch --config \"$1\"";
    command.args(["-c", watch]).arg(env!("CARGO_BIN_EXE_warmside")).arg(house.file());
    command.env_remove("NOTIFY_SOCKET").env_remove("WARMSIDE_LOG");
    let mut daemon = Daemon::of(&mut command);
    daemon.says("may have only 64 files and connections open");
    daemon.says("connected to the broker");
    let socket = house.folder.join("state/control.sock");
    let page: Vec<_> = (0..200).filter_map(|_| std::net::TcpStream::connect(("127.0.0.1", house.page)).ok()).collect();
    let control: Vec<_> = (0..200).filter_map(|_| UnixStream::connect(&socket).ok()).collect();
    assert!(page.len() == 200 && control.len() > 100, "{} and {} came to the doors", page.len(), control.len());
    let open = || fs::read_dir(format!("/proc/{}/fd", daemon.child.id())).expect("runs").count();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let most = runtime.block_on(async {
        let address = std::net::SocketAddr::from(([127, 0, 0, 1], house.port));
        let broker = BuiltinBroker { listen: address, login: None }.as_client(address);
        let sensor = Sensor::start(&broker, "sensor-1").expect("starts");
        let mut most = open();
        for _ in 0..600 {
            sensor.say("rack/a3/warm_side/temperature", "60.5").await;
            tokio::time::sleep(Duration::from_millis(200)).await;
            most = most.max(open());
            if !house.message_ids().is_empty() {
                return most;
            }
        }
        panic!("watch told nothing");
    });
    assert!(most < 56, "{most} of 64 were open: nothing is left for a mail");
    drop((page, control));
    // The doors are open again to whoever may come in.
    let answered = || house.run(&["status", "--json"]).status.success();
    assert!((0..600).any(|_| answered() || (std::thread::sleep(Duration::from_millis(100)), false).1));
    house.until("calm", |view| view["post"]["failing"].is_null() && view["store_failing"].is_null());
    daemon.signal("TERM");
    assert_eq!(daemon.exit(), Some(0));
}

/// Commands that are refused are logged each: whoever floods them must not fill the disk.
#[test]
fn a_flood_of_what_is_refused_leaves_a_short_log() {
    const FLOOD: usize = 3_000;
    let house = House::new("log");
    house.write(&house.text().replace("publish = \"warmside\"", "commands = \"warmside/command\""));
    let daemon = house.watch();
    daemon.says("connected to the broker");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let address = std::net::SocketAddr::from(([127, 0, 0, 1], house.port));
        let broker = BuiltinBroker { listen: address, login: None }.as_client(address);
        let sensor = Sensor::start(&broker, "sensor-1").expect("starts");
        for n in 0..FLOOD {
            sensor.say("warmside/command", format!("rubbish {n}")).await;
        }
        // What comes after it has been heard when the last of it has been.
        sensor.say("rack/a3/warm_side/temperature", "30.5").await;
        for _ in 0..600 {
            if house.status()["counts"]["accepted"] == 1 {
                return;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
        panic!("never heard: {}", house.status());
    });
    daemon.signal("TERM");
    let lines: Vec<String> = daemon.log.iter().collect();
    let refused: Vec<&String> = lines.iter().filter(|line| line.contains("a command by MQTT was refused")).collect();
    let minutes = FLOOD / 60;
    assert!((60..60 + minutes).contains(&refused.len()), "{} lines", refused.len());
    assert!(refused[59].contains("one a minute is shown"), "{}", refused[59]);
}
