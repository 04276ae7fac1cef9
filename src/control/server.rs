//! The answering side: takes requests off the socket and hands them to the loop, one at a time for each guest.

use super::{Error, LONGEST_REQUEST, LONGEST_WORK, MOST_GUESTS, MOST_WAITING, PATIENCE, Reply, Request, socket};
use crate::descriptors::share;
use std::fs;
use std::os::unix::fs::{DirBuilderExt, MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::{Semaphore, mpsc, oneshot};
use tokio::task::JoinHandle;
use tokio::time::timeout;

/// A request on its way to the loop, and where its reply goes.
#[derive(Debug)]
pub struct Asked {
    pub request: Request,
    pub reply: oneshot::Sender<Reply>,
}

/// An open socket. Dropping it closes it and takes its name away.
#[derive(Debug)]
pub struct Door {
    path: PathBuf,
    task: JoinHandle<()>,
}

impl Door {
    /// Opens the socket in the store's folder, whose lock must be ours already: an old socket is replaced.
    pub fn open(folder: &Path) -> Result<(Door, mpsc::Receiver<Asked>), Error> {
        let path = socket(folder);
        let listener = bind(folder, &path).map_err(|why| match why.kind() {
            std::io::ErrorKind::InvalidInput => Error::TooLong(path.clone()),
            _ => Error::Io(path.clone(), why),
        })?;
        let owner = fs::metadata(&path).map_err(|why| Error::Io(path.clone(), why))?.uid();
        let (asked, requests) = mpsc::channel(MOST_WAITING);
        let task = tokio::spawn(serve(listener, owner, asked));
        Ok((Door { path, task }, requests))
    }

    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for Door {
    fn drop(&mut self) {
        self.task.abort();
        let _ = fs::remove_file(&self.path);
    }
}

/// Binds inside a folder that only we may enter, narrows the mode, and only then moves the socket to where it is found:
/// there is no moment at which anybody else could connect.
fn bind(folder: &Path, path: &Path) -> std::io::Result<UnixListener> {
    let closed = folder.join(".control");
    let hidden = closed.join("s");
    let _ = fs::remove_file(&hidden);
    let _ = fs::remove_dir(&closed);
    fs::DirBuilder::new().mode(0o700).create(&closed)?;
    let bound = UnixListener::bind(&hidden).and_then(|listener| {
        fs::set_permissions(&hidden, fs::Permissions::from_mode(0o600))?;
        fs::rename(&hidden, path)?;
        Ok(listener)
    });
    let _ = fs::remove_file(&hidden);
    let _ = fs::remove_dir(&closed);
    bound
}

async fn serve(listener: UnixListener, owner: u32, asked: mpsc::Sender<Asked>) {
    let seats = Arc::new(Semaphore::new(share(MOST_GUESTS)));
    loop {
        let stream = match listener.accept().await {
            Ok((stream, _)) => stream,
            Err(why) => {
                // Out of file descriptors, most likely: others may be given back.
                tracing::warn!("nobody new is let in at the control socket: {why}");
                tokio::time::sleep(std::time::Duration::from_millis(100)).await;
                continue;
            }
        };
        let seat = seats.clone().try_acquire_owned();
        let asked = asked.clone();
        tokio::spawn(async move {
            let known = stream.peer_cred().is_ok_and(|peer| welcome(peer.uid(), owner));
            match seat {
                _ if !known => {} // A stranger gets no word.
                Ok(_seat) => attend(stream, asked).await,
                Err(_) => {
                    let mut stream = stream;
                    let _ = say(&mut stream, &Reply::refused("too many are asking at once: try again")).await;
                }
            }
        });
    }
}

/// The mode keeps others out already; this holds should somebody widen it.
fn welcome(guest: u32, owner: u32) -> bool {
    guest == owner || guest == 0
}

/// One guest, until it leaves, falls silent or says too much at once.
async fn attend(stream: UnixStream, asked: mpsc::Sender<Asked>) {
    let (read, mut write) = stream.into_split();
    let mut read = BufReader::new(read);
    loop {
        let mut line = Vec::new();
        let mut limited = (&mut read).take(LONGEST_REQUEST as u64 + 1);
        match timeout(PATIENCE, limited.read_until(b'\n', &mut line)).await {
            Ok(Ok(length)) if length > 0 => {}
            _ => return,
        }
        let too_long = line.len() > LONGEST_REQUEST;
        let reply = if too_long {
            Reply::refused(format!("a request has at most {LONGEST_REQUEST} bytes"))
        } else {
            answer(&line, &asked).await
        };
        if say(&mut write, &reply).await.is_err() || too_long {
            return;
        }
    }
}

async fn answer(line: &[u8], asked: &mpsc::Sender<Asked>) -> Reply {
    let request = match serde_json::from_slice(line) {
        Ok(request) => request,
        Err(why) => return Reply::refused(format!("this is no request: {why}")),
    };
    let (reply, answered) = oneshot::channel();
    if asked.try_send(Asked { request, reply }).is_err() {
        return Reply::refused("too many requests are waiting: try again");
    }
    match timeout(LONGEST_WORK, answered).await {
        Ok(Ok(reply)) => reply,
        Ok(Err(_)) => Reply::refused("Warmside is stopping"),
        Err(_) => Reply::refused("Warmside is too busy to answer"),
    }
}

async fn say(to: &mut (impl AsyncWriteExt + Unpin), reply: &Reply) -> std::io::Result<()> {
    let mut line = serde_json::to_vec(reply)?;
    line.push(b'\n');
    timeout(PATIENCE, to.write_all(&line)).await?
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_owner_and_root_are_answered() {
        assert!(welcome(990, 990) && welcome(0, 990));
        assert!(!welcome(1_000, 990) && !welcome(990, 0));
    }
}
