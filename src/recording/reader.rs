//! Reads the lines of recording files, plain or gzip, one at a time and without holding a file in memory.

use super::LONGEST_LINE;
use flate2::bufread::MultiGzDecoder;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;

/// The two first bytes of a gzip member (RFC 1952, section 2.3.1).
const GZIP: [u8; 2] = [0x1f, 0x8b];
const BUFFER: usize = 256 << 10;

/// The lines of one file.
pub struct Lines {
    source: Box<dyn BufRead>,
    buffer: Vec<u8>,
    number: u64,
}

/// One raw line: its number from 1, and its text if it is UTF-8 and not too long.
pub struct RawLine<'a> {
    pub number: u64,
    pub text: Option<&'a str>,
}

impl Lines {
    /// Opens a file, or standard input for `-`.
    ///
    /// # Errors
    /// When the file cannot be opened or its first bytes cannot be read.
    pub fn open(path: &Path) -> io::Result<Lines> {
        let raw: Box<dyn Read> =
            if path.as_os_str() == "-" { Box::new(io::stdin()) } else { Box::new(File::open(path)?) };
        let mut source = BufReader::with_capacity(BUFFER, raw);
        let packed = source.fill_buf()?.starts_with(&GZIP);
        let source: Box<dyn BufRead> = if packed {
            Box::new(BufReader::with_capacity(BUFFER, MultiGzDecoder::new(source)))
        } else {
            Box::new(source)
        };
        Ok(Lines { source, buffer: Vec::new(), number: 0 })
    }

    /// The next line that is not blank; `None` at the end.
    ///
    /// # Errors
    /// When the file cannot be read on, such as a gzip stream that is cut off.
    pub fn next_line(&mut self) -> io::Result<Option<RawLine<'_>>> {
        loop {
            self.buffer.clear();
            self.number += 1;
            let most = LONGEST_LINE as u64 + 2;
            if self.source.by_ref().take(most).read_until(b'\n', &mut self.buffer)? == 0 {
                return Ok(None);
            }
            if self.buffer.last() != Some(&b'\n') && self.buffer.len() as u64 == most {
                self.skip_rest_of_line()?;
                return Ok(Some(RawLine { number: self.number, text: None }));
            }
            if !self.buffer.trim_ascii().is_empty() {
                break;
            }
        }
        Ok(Some(RawLine { number: self.number, text: std::str::from_utf8(self.buffer.trim_ascii()).ok() }))
    }

    fn skip_rest_of_line(&mut self) -> io::Result<()> {
        loop {
            let chunk = self.source.fill_buf()?;
            if chunk.is_empty() {
                return Ok(());
            }
            let end = chunk.iter().position(|&b| b == b'\n');
            let used = end.map_or(chunk.len(), |at| at + 1);
            self.source.consume(used);
            if end.is_some() {
                return Ok(());
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use flate2::Compression;
    use flate2::write::GzEncoder;
    use std::io::Write;

    fn lines_of(bytes: &[u8]) -> Vec<(u64, Option<String>)> {
        let folder = std::env::temp_dir().join(format!("warmside-lines-{}-{}", std::process::id(), bytes.len()));
        std::fs::write(&folder, bytes).unwrap();
        let mut lines = Lines::open(&folder).unwrap();
        let mut found = Vec::new();
        while let Some(line) = lines.next_line().unwrap() {
            found.push((line.number, line.text.map(str::to_owned)));
        }
        std::fs::remove_file(&folder).unwrap();
        found
    }

    #[test]
    fn plain_and_gzip_give_the_same_lines() {
        let text = b"one\r\n\n  \ntwo\n\xff\xfe\nlast without feed";
        let want = vec![
            (1, Some("one".to_owned())),
            (4, Some("two".to_owned())),
            (5, None),
            (6, Some("last without feed".to_owned())),
        ];
        assert_eq!(lines_of(text), want);
        let mut packed = GzEncoder::new(Vec::new(), Compression::fast());
        packed.write_all(text).unwrap();
        assert_eq!(lines_of(&packed.finish().unwrap()), want);
    }

    #[test]
    fn a_line_that_is_too_long_is_skipped_whole() {
        let mut text = vec![b'x'; LONGEST_LINE + 10];
        text.extend_from_slice(b"\nafter\n");
        assert_eq!(lines_of(&text), vec![(1, None), (2, Some("after".to_owned()))]);
    }
}
