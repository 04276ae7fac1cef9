//! The real server on a port of its own, and a client that says exactly what a test wants said.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::net::{SocketAddr, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::runtime::Runtime;
use tokio::sync::{mpsc, watch};
use warmside::engine::event::Command;
use warmside::engine::view::View;
use warmside::page::bench::{Bench, Wish, Wished};
use warmside::page::listen::Patience;
use warmside::page::past::{NoPast, Past};
use warmside::page::settings::Settings;
use warmside::page::{self, Answer, Asked, Doors};
use warmside::terms::secret::{Identity, Secret};

pub const PASSWORD: &str = "warm stones";

pub struct Server {
    pub at: SocketAddr,
    pub view: watch::Sender<Arc<View>>,
    pub bench: Arc<Bench>,
    /// What was wished for on Setup.
    pub wished: Arc<Mutex<Vec<Wish>>>,
    /// What reached the engine.
    pub said: Arc<Mutex<Vec<Command>>>,
    _runtime: Runtime,
}

pub fn open(view: View) -> Server {
    start(view, false, Arc::new(NoPast), Patience::default())
}

pub fn locked(view: View) -> Server {
    start(view, true, Arc::new(NoPast), Patience::default())
}

pub fn start(view: View, locked: bool, past: Arc<dyn Past>, patience: Patience) -> Server {
    serve(view, locked, past, patience, None)
}

/// By TLS where an identity is given.
pub fn serve(view: View, locked: bool, past: Arc<dyn Past>, patience: Patience, identity: Option<Identity>) -> Server {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let listener = runtime.block_on(TcpListener::bind("127.0.0.1:0")).unwrap();
    let at = listener.local_addr().unwrap();
    let (view, seen) = watch::channel(Arc::new(view));
    let (asked, mut asks) = mpsc::channel::<Asked>(8);
    let said: Arc<Mutex<Vec<Command>>> = Arc::default();
    let (heard, again) = (said.clone(), view.clone());
    runtime.spawn(async move {
        while let Some(Asked { command, answer }) = asks.recv().await {
            let words = format!("Heard {}.", command.by);
            heard.lock().unwrap().push(command);
            let _ = answer.send(Answer { done: true, words });
            // As the daemon does: a view follows each command.
            again.send_modify(|_| {});
        }
    });
    let (bench, wished) = (Arc::<Bench>::default(), Arc::<Mutex<Vec<Wish>>>::default());
    let (wishes, mut comes) = mpsc::channel::<Wished>(8);
    let noted = wished.clone();
    runtime.spawn(async move {
        while let Some(Wished { wish, answer }) = comes.recv().await {
            noted.lock().unwrap().push(wish);
            let _ = answer.send(Answer { done: true, words: "Wished.".to_owned() });
        }
    });
    let settings = Settings { listen: at, password: locked.then(|| Secret::new(PASSWORD)), identity };
    let laid = bench.clone();
    let doors = Doors { view: seen, past, asked, bench: laid, wishes, ticks: warmside::clock::ticks };
    runtime.spawn(async move { page::serve_patiently(listener, &settings, doors, patience).await });
    Server { at, view, bench, wished, said, _runtime: runtime }
}

#[derive(Debug)]
pub struct Got {
    pub status: u16,
    pub headers: BTreeMap<String, String>,
    pub cookies: Vec<String>,
    pub body: Vec<u8>,
}

impl Got {
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", String::as_str)
    }
    /// The token of the page's forms.
    pub fn token(&self) -> String {
        let text = self.text();
        let from = text.split("name=\"token\" value=\"").nth(1).expect("a form");
        from.split('"').next().unwrap().to_owned()
    }
}

impl Server {
    pub fn raw(&self, request: &[u8]) -> Option<Got> {
        let mut stream = TcpStream::connect(self.at).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
        // A server that has heard enough may close before everything is written.
        let _ = stream.write_all(request);
        read_answer(&mut BufReader::new(stream))
    }

    pub fn get(&self, path: &str, headers: &[(&str, &str)]) -> Got {
        self.raw(request("GET", path, self.at, headers, "").as_bytes()).expect("an answer")
    }

    pub fn post(&self, path: &str, headers: &[(&str, &str)], form: &str) -> Got {
        let mut all = vec![("content-type", "application/x-www-form-urlencoded")];
        all.extend_from_slice(headers);
        self.raw(request("POST", path, self.at, &all, form).as_bytes()).expect("an answer")
    }

    /// Logs in; returns the cookie to send.
    pub fn login(&self) -> String {
        let got = self.post("/login", &[], &format!("password={}", PASSWORD.replace(' ', "+")));
        assert_eq!(got.status, 303, "{}", got.text());
        got.cookies[0].split(';').next().unwrap().to_owned()
    }

    /// Opens a stream of events.
    pub fn listen(&self, path: &str, headers: &[(&str, &str)]) -> BufReader<TcpStream> {
        let mut stream = TcpStream::connect(self.at).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
        stream.write_all(request("GET", path, self.at, headers, "").as_bytes()).unwrap();
        BufReader::new(stream)
    }
}

pub fn request(method: &str, path: &str, at: SocketAddr, headers: &[(&str, &str)], body: &str) -> String {
    let mut text = format!("{method} {path} HTTP/1.1\r\nconnection: close\r\n");
    if !headers.iter().any(|(name, _)| *name == "host") {
        text += &format!("host: {at}\r\n");
    }
    for (name, value) in headers {
        text += &format!("{name}: {value}\r\n");
    }
    if method == "POST" {
        text += &format!("content-length: {}\r\n", body.len());
    }
    text + "\r\n" + body
}

pub fn read_answer(from: &mut impl BufRead) -> Option<Got> {
    let mut line = String::new();
    from.read_line(&mut line).ok()?;
    let status = line.split(' ').nth(1)?.parse().ok()?;
    let (mut headers, mut cookies) = (BTreeMap::new(), vec![]);
    loop {
        let mut line = String::new();
        from.read_line(&mut line).ok()?;
        let Some((name, value)) = line.trim_end().split_once(": ") else { break };
        if name == "set-cookie" {
            cookies.push(value.to_owned());
        }
        headers.insert(name.to_owned(), value.to_owned());
    }
    let mut body = Vec::new();
    from.read_to_end(&mut body).ok()?;
    Some(Got { status, headers, cookies, body })
}
