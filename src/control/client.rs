//! The asking side: one request, one reply, blocking, for commands.

use super::{Error, LONGEST_REPLY, LONGEST_WORK, Reply, Request, socket};
use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::net::UnixStream;
use std::path::Path;

/// Asks the daemon that watches with the store in this folder.
pub fn ask(folder: &Path, request: &Request) -> Result<Reply, Error> {
    let path = socket(folder);
    let refuse = |why: std::io::Error| Error::of(&path, why);
    let mut stream = UnixStream::connect(&path).map_err(refuse)?;
    stream.set_read_timeout(Some(LONGEST_WORK)).map_err(refuse)?;
    stream.set_write_timeout(Some(super::PATIENCE)).map_err(refuse)?;
    let mut line = serde_json::to_string(request).map_err(|e| Error::Strange(e.to_string()))?;
    line.push('\n');
    stream.write_all(line.as_bytes()).map_err(refuse)?;
    let mut reply = Vec::new();
    let mut limited = BufReader::new(stream).take(LONGEST_REPLY as u64);
    limited.read_until(b'\n', &mut reply).map_err(refuse)?;
    if reply.last() != Some(&b'\n') {
        return Err(Error::Strange("its reply broke off".into()));
    }
    serde_json::from_slice(&reply).map_err(|e| Error::Strange(e.to_string()))
}
