//! The line between a house and its outpost, in the hands of somebody who hears and keeps everything.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// A forwarder that keeps what the house said, a connection each.
pub struct Line {
    pub address: SocketAddr,
    to: String,
    kept: Arc<Mutex<Vec<Vec<u8>>>>,
}

/// Connections that are kept.
const MOST_KEPT: usize = 20;

impl Line {
    pub fn open(own: &str, to: String) -> Line {
        let listener = TcpListener::bind((own, 0)).expect("the line's own address");
        let address = listener.local_addr().expect("an address");
        let kept = Arc::new(Mutex::new(Vec::new()));
        let (target, all) = (to.clone(), kept.clone());
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let (target, all) = (target.clone(), all.clone());
                std::thread::spawn(move || forward(stream, &target, &all));
            }
        });
        Line { address, to, kept }
    }

    pub fn until_recorded(&self, count: usize) {
        for _ in 0..1_200 {
            if self.recorded().len() >= count {
                return;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        panic!("only {} beats went through the line", self.recorded().len());
    }

    pub fn recorded(&self) -> Vec<Vec<u8>> {
        self.kept.lock().expect("not poisoned").clone()
    }

    /// Says to the outpost once more what the house once said.
    pub fn repeat(&self, recorded: &[Vec<u8>]) {
        for bytes in recorded {
            let Ok(mut stream) = TcpStream::connect(&self.to) else { continue };
            let _ = stream.set_read_timeout(Some(Duration::from_millis(200)));
            let _ = stream.write_all(bytes);
            let _ = stream.read_to_end(&mut Vec::new());
        }
    }
}

fn forward(house: TcpStream, target: &str, all: &Mutex<Vec<Vec<u8>>>) {
    let Ok(outpost) = TcpStream::connect(target) else { return };
    // A cut line is noticed by nobody: both ends of ours end by themselves.
    for stream in [&house, &outpost] {
        let _ = stream.set_read_timeout(Some(Duration::from_secs(30)));
    }
    let (Ok(mut from), Ok(mut to)) = (outpost.try_clone(), house.try_clone()) else { return };
    let answers = std::thread::spawn(move || {
        let _ = std::io::copy(&mut from, &mut to);
        let _ = to.shutdown(std::net::Shutdown::Write);
    });
    let (mut said, mut buffer, mut house, mut outpost) = (Vec::new(), [0; 4_096], house, outpost);
    while let Ok(n) = house.read(&mut buffer) {
        if n == 0 || outpost.write_all(&buffer[..n]).is_err() {
            break;
        }
        said.extend_from_slice(&buffer[..n]);
    }
    let _ = outpost.shutdown(std::net::Shutdown::Write);
    let mut all = all.lock().expect("not poisoned");
    if all.len() < MOST_KEPT {
        all.push(said);
    }
    drop(all);
    let _ = answers.join();
}
