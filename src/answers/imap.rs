//! As much of IMAP (RFC 3501, RFC 2177) as it takes to hear of a mail, look at it and mark it seen. Over any stream.
//!
//! Nothing a server sends can make us keep more than [`LONGEST_LINE`] and [`MOST_BYTES`]; every wait has its limit.

use crate::terms::time::Wall;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use std::time::Duration;
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, BufReader};

/// Of a mail, so much is looked at.
pub const MOST_BYTES: usize = 256 * 1_024;
const LONGEST_LINE: usize = 64 * 1_024;
/// Responses to one command: a mailbox of a hundred thousand is searched in one.
const MOST_RESPONSES: usize = 10_000;

/// A connection that is logged in or on its way there.
pub struct Session<S> {
    stream: BufReader<S>,
    tag: u32,
    limit: Duration,
    /// The mailbox has changed since we last asked.
    pub news: bool,
    /// The last wait was ended by news: what is new has come just now.
    pub waited: bool,
}

/// One response: its text with each literal left out, and the literals.
#[derive(Debug)]
struct Response {
    text: String,
    literals: Vec<Vec<u8>>,
}

type Result<T> = std::result::Result<T, String>;

impl<S: AsyncRead + AsyncWrite + Unpin> Session<S> {
    /// Greets and logs in. `limit`: for each command.
    pub async fn begin(stream: S, limit: Duration, user: &str, password: &str) -> Result<Session<S>> {
        let mut session = Session { stream: BufReader::new(stream), tag: 0, limit, news: false, waited: false };
        let greeting = within(limit, session.response()).await?;
        if !greeting.text.starts_with("* OK") {
            return Err(format!("refused: {}", short(&greeting.text)));
        }
        if session.can("AUTH=PLAIN").await? {
            session.login_plain(user, password).await?;
        } else {
            let login = format!("LOGIN {} {}", quoted(user)?, quoted(password)?);
            session.command(&login).await.map_err(|why| format!("login: {why}"))?;
        }
        Ok(session)
    }

    async fn login_plain(&mut self, user: &str, password: &str) -> Result<()> {
        let tag = self.send("AUTHENTICATE PLAIN").await?;
        let go_on = within(self.limit, self.response()).await?;
        if !go_on.text.starts_with('+') {
            return Err(format!("login: {}", short(&go_on.text)));
        }
        let proof = STANDARD.encode(format!("\0{user}\0{password}"));
        self.write(format!("{proof}\r\n").as_bytes()).await?;
        self.until(&tag).await.map(drop).map_err(|why| format!("login: {why}"))
    }

    /// Whether the server has a capability.
    pub async fn can(&mut self, what: &str) -> Result<bool> {
        let responses = self.command("CAPABILITY").await?;
        let words = responses.iter().filter_map(|r| r.text.strip_prefix("* CAPABILITY "));
        Ok(words.flat_map(str::split_whitespace).any(|word| word.eq_ignore_ascii_case(what)))
    }

    /// Opens the inbox; its UIDVALIDITY.
    pub async fn select(&mut self) -> Result<u32> {
        let responses = self.command("SELECT INBOX").await?;
        let number = |text: &str| {
            let rest = &text[text.find("[UIDVALIDITY ")? + "[UIDVALIDITY ".len()..];
            rest.split(']').next()?.parse().ok()
        };
        responses.iter().find_map(|r| number(&r.text)).ok_or_else(|| "the inbox has no UIDVALIDITY".to_owned())
    }

    /// UIDs that a search finds, in order.
    pub async fn search(&mut self, what: &str) -> Result<Vec<u32>> {
        let responses = self.command(&format!("UID SEARCH {what}")).await?;
        let found = responses.iter().filter_map(|r| r.text.strip_prefix("* SEARCH"));
        let mut uids: Vec<u32> = found.flat_map(str::split_whitespace).filter_map(|uid| uid.parse().ok()).collect();
        uids.sort_unstable();
        Ok(uids)
    }

    /// The headers of a mail, or the whole of it up to [`MOST_BYTES`]; unseen mails stay unseen. `None`: it is gone.
    pub async fn fetch(&mut self, uid: u32, headers_only: bool) -> Result<Option<Vec<u8>>> {
        let what = if headers_only { "HEADER" } else { "" };
        let responses = self.command(&format!("UID FETCH {uid} (BODY.PEEK[{what}]<0.{MOST_BYTES}>)")).await?;
        Ok(responses.into_iter().filter(|r| r.text.contains(" FETCH ")).find_map(|r| r.literals.into_iter().next()))
    }

    /// When the server took a mail in, by its own clock (RFC 3501, INTERNALDATE).
    pub async fn arrived_at(&mut self, uid: u32) -> Result<Option<Wall>> {
        let responses = self.command(&format!("UID FETCH {uid} (INTERNALDATE)")).await?;
        Ok(responses.iter().find_map(|r| internal_date(&r.text)))
    }

    pub async fn mark_seen(&mut self, uid: u32) -> Result<()> {
        self.command(&format!("UID STORE {uid} +FLAGS.SILENT (\\Seen)")).await.map(drop)
    }

    /// Waits for news, or until `longest` has passed. RFC 2177.
    pub async fn idle(&mut self, longest: Duration) -> Result<()> {
        let tag = self.send("IDLE").await?;
        let waited = tokio::time::timeout(longest, async {
            loop {
                let response = self.response().await?;
                if response.text.starts_with(&tag) {
                    return Err(format!("IDLE: {}", short(&response.text)));
                }
                self.note(&response.text);
                if self.news {
                    self.waited = true;
                    return Ok(());
                }
            }
        })
        .await;
        if let Ok(ended) = waited {
            ended?;
        }
        self.write(b"DONE\r\n").await?;
        self.until(&tag).await.map(drop)
    }

    async fn command(&mut self, command: &str) -> Result<Vec<Response>> {
        let tag = self.send(command).await?;
        self.until(&tag).await
    }

    async fn send(&mut self, command: &str) -> Result<String> {
        self.tag += 1;
        let tag = format!("w{} ", self.tag);
        self.write(format!("{tag}{command}\r\n").as_bytes()).await?;
        Ok(tag)
    }

    async fn write(&mut self, bytes: &[u8]) -> Result<()> {
        let written = async {
            self.stream.write_all(bytes).await.map_err(lost)?;
            self.stream.flush().await.map_err(lost)
        };
        within(self.limit, written).await
    }

    /// Reads up to the tagged response; what came before it, or why it was refused.
    async fn until(&mut self, tag: &str) -> Result<Vec<Response>> {
        let limit = self.limit;
        let read = async {
            let mut responses = Vec::new();
            loop {
                let response = self.response().await?;
                if let Some(ending) = response.text.strip_prefix(tag) {
                    let ok = ending.get(..2).is_some_and(|word| word.eq_ignore_ascii_case("OK"));
                    return if ok { Ok(responses) } else { Err(short(ending)) };
                }
                self.note(&response.text);
                if responses.len() >= MOST_RESPONSES {
                    return Err("the server talks without end".to_owned());
                }
                responses.push(response);
            }
        };
        within(limit, read).await
    }

    fn note(&mut self, text: &str) {
        self.news |= text.starts_with("* ") && (text.ends_with(" EXISTS") || text.ends_with(" RECENT"));
    }

    /// One response with its literals, which are announced as `{n}` at the end of a line.
    async fn response(&mut self) -> Result<Response> {
        let mut response = Response { text: String::new(), literals: Vec::new() };
        let mut all = 0;
        loop {
            let mut line = Vec::new();
            let read = (&mut self.stream).take(LONGEST_LINE as u64).read_until(b'\n', &mut line).await.map_err(lost)?;
            if read == 0 || !line.ends_with(b"\n") {
                return Err("the server ended the connection, or its lines do not end".to_owned());
            }
            let line = String::from_utf8_lossy(&line);
            let line = line.trim_end_matches(['\r', '\n']);
            let Some((before, size)) = literal(line) else {
                response.text.push_str(line);
                return Ok(response);
            };
            all += size;
            if all > MOST_BYTES + LONGEST_LINE {
                return Err("the server sends more than was asked for".to_owned());
            }
            response.text.push_str(before);
            let mut bytes = vec![0; size];
            self.stream.read_exact(&mut bytes).await.map_err(lost)?;
            response.literals.push(bytes);
        }
    }
}

/// The size that a line announces at its end, and what stands before it.
fn literal(line: &str) -> Option<(&str, usize)> {
    let (before, size) = line.strip_suffix('}')?.rsplit_once('{')?;
    Some((before, size.trim_end_matches('+').parse().ok()?))
}

/// `INTERNALDATE "17-Jul-1996 02:44:25 -0700"` in a response.
fn internal_date(text: &str) -> Option<Wall> {
    let date = text.split_once("INTERNALDATE \"")?.1.split_once('"')?.0;
    // RFC 5322 has spaces where RFC 3501 has hyphens; the zone keeps its own.
    let date = mail_parser::DateTime::parse_rfc822(&date.replacen('-', " ", 2))?;
    date.is_valid().then(|| Wall::from_ms(date.to_timestamp() * 1_000))
}

fn quoted(text: &str) -> Result<String> {
    if text.chars().any(|c| c.is_control() || !c.is_ascii()) {
        return Err("login: this server takes no name or password with such characters".to_owned());
    }
    Ok(format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\"")))
}

async fn within<T>(limit: Duration, work: impl Future<Output = Result<T>>) -> Result<T> {
    let ended = tokio::time::timeout(limit, work).await;
    ended.unwrap_or_else(|_| Err(format!("no answer within {} s", limit.as_secs().max(1))))
}

fn lost(why: std::io::Error) -> String {
    format!("the connection is lost: {why}")
}

fn short(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(200).collect()
}
