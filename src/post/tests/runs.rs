//! The loop: what waits is sent, a hang holds up nobody, files appear whole, and being dropped loses nothing.

use super::*;
use crate::engine::event::PostOutcome;
use std::collections::BTreeMap;

/// An outbox in memory, as the store's would be.
#[derive(Clone, Default)]
struct Memory(Arc<Mutex<BTreeMap<String, (Queued, Wall)>>>);

impl Memory {
    fn put(&self, queued: Queued) {
        self.0.lock().unwrap().insert(queued.notice.id.clone(), (queued, AT));
    }
    fn waiting(&self) -> Vec<String> {
        self.0.lock().unwrap().keys().cloned().collect()
    }
}

impl Outbox for Memory {
    async fn due(&self, at: Wall, at_most: usize) -> Vec<Queued> {
        let inside = self.0.lock().unwrap();
        inside.values().filter(|(_, next)| *next <= at).take(at_most).map(|(q, _)| q.clone()).collect()
    }
    async fn settle(&self, round: Round) {
        let mut inside = self.0.lock().unwrap();
        let Some((queued, next)) = inside.get_mut(&round.notice) else { return };
        queued.attempts += 1;
        *next = round.next;
        queued.to.retain(|a| round.to.iter().any(|r| r.0 == *a && r.1 == Fate::Waiting));
        if queued.to.is_empty() {
            inside.remove(&round.notice);
        }
    }
}

/// Waits for what must come; the time limit only keeps a broken test from hanging for ever.
async fn until(mut done: impl FnMut() -> bool) {
    let waited = tokio::time::timeout(Duration::from_secs(60), async {
        while !done() {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    });
    waited.await.unwrap();
}

#[tokio::test]
async fn a_hanging_mail_holds_up_no_other() {
    // Connection 0 hangs; the rest are served.
    let server = serve(Script::answering(|n, line| (n == 0 && line.starts_with("EHLO")).then_some("HANG"))).await;
    let (post, reports) = post(vec![Way::Server(way(server.port, Tls::Loopback))]);
    let outbox = Memory::default();
    outbox.put(queued("A.1"));
    let waker = post.waker();
    let running = tokio::spawn(post.run(outbox.clone()));
    until(|| server.connections() == 1).await;
    for id in ["B.1", "C.1", "D.1"] {
        outbox.put(queued(id));
    }
    waker.wake();
    until(|| outbox.waiting() == ["A.1"]).await;
    until(|| reports.lock().unwrap().len() == 3).await;
    assert!(reports.lock().unwrap().iter().all(|r| r.outcome == PostOutcome::Accepted));
    assert_eq!(server.mails().len(), 3);
    // Dropped in the middle of an attempt: it still waits.
    running.abort();
    assert!(running.await.unwrap_err().is_cancelled());
    assert_eq!(outbox.waiting(), ["A.1"]);
}

#[tokio::test]
async fn deferred_is_reported_with_words_and_tried_again_when_due() {
    let server =
        serve(Script::answering(|n, line| (n < 2 && line.starts_with("RCPT")).then_some("451 greylisted"))).await;
    let (mut post, reports) = post(vec![Way::Server(way(server.port, Tls::Loopback))]);
    // Each look at the clock is a minute later: no sleeping, and what waits soon is due.
    let minutes = std::sync::atomic::AtomicI64::new(0);
    post.opening.clock =
        Arc::new(move || AT + crate::terms::time::Span::min(minutes.fetch_add(1, std::sync::atomic::Ordering::SeqCst)));
    let outbox = Memory::default();
    outbox.put(queued("A.1"));
    let running = tokio::spawn(post.run(outbox.clone()));
    until(|| outbox.waiting().is_empty()).await;
    until(|| reports.lock().unwrap().len() == 3).await;
    running.abort();
    let reports = reports.lock().unwrap();
    for deferred in &reports[..2] {
        let PostOutcome::Deferred(words) = &deferred.outcome else { panic!("{deferred:?}") };
        assert!(words.starts_with("to ines@example.org, tom@example.org: ") && words.contains("greylisted"), "{words}");
    }
    assert_eq!(reports[2], Report { notice: "A.1".into(), outcome: PostOutcome::Accepted });
    assert_eq!(server.mails().len(), 1);
}

#[tokio::test]
async fn without_a_server_mails_are_files() {
    let folder = std::env::temp_dir().join(format!("warmside-post-{}", std::process::id()));
    let way = Way::Folder { folder: folder.join("mail"), from: from(None, "warmside@hollow-lane.invalid") };
    let (post, _) = post(vec![way]);
    for _ in 0..2 {
        let round = post.attempt(&queued("7Q.1/../../x")).await;
        assert_eq!(fates(&round), [Fate::Accepted, Fate::Accepted]);
    }
    let names: Vec<_> = std::fs::read_dir(folder.join("mail"))
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    assert_eq!(names, ["20260303T141120Z-7Q.1_.._.._x.eml"]);
    let bytes = std::fs::read(folder.join("mail").join(&names[0])).unwrap();
    let mail = mail_parser::MessageParser::default().parse(&bytes).unwrap();
    assert_eq!(mail.subject(), Some("a3 Juno: no heat, 29.7 C and falling"));
    std::fs::remove_dir_all(&folder).unwrap();

    // A folder that cannot be made: the mail waits and the reason is told.
    let way = Way::Folder { folder: "/proc/nowhere".into(), from: from(None, "warmside@hollow-lane.invalid") };
    let round = super::post(vec![way]).0.attempt(&queued("7Q.1")).await;
    assert_eq!(fates(&round), [Fate::Waiting, Fate::Waiting]);
    assert!(round.to[0].2.contains("/proc/nowhere"));
}
