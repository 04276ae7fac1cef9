//! The Message-ID of a notice, and back: the same for every attempt, of no other store, and not to be guessed.
//!
//! `<7Q.1.m3k1…@example.org>`: the notice's id, then a word that only this store can make for it. A rebuilt store makes
//! other words, so it repeats none; and a reply that cites one shows that its writer has seen the mail.

/// What makes the words: from the store's random part.
#[derive(Clone, PartialEq, Eq)]
pub struct Seal([u64; 2]);

/// Letters of a word: lower case, none that is mistaken for another.
const LETTERS: &[u8; 32] = b"abcdefghjkmnpqrstuvwxyz023456789";

impl Seal {
    /// `site`: the store's random part, 32 hexadecimal digits (more are not used, fewer make a weaker seal).
    pub fn new(site: &str) -> Seal {
        let digits = |from: usize| site.get(from..from + 16).and_then(|d| u64::from_str_radix(d, 16).ok()).unwrap_or(0);
        Seal([digits(0), digits(16)])
    }

    fn word(&self, id: &str) -> String {
        let hash = siphash(self.0, id.as_bytes());
        (0..13).map(|i| char::from(LETTERS[(hash >> (5 * i)) as usize % 32])).collect()
    }

    /// With its angle brackets. `host`: the domain of the sender's address.
    pub fn message_id(&self, id: &str, host: &str) -> String {
        format!("<{}.{}@{host}>", escape(id), self.word(id))
    }

    /// The notice that a Message-ID (with or without brackets) names; `None` when this store did not make it.
    pub fn notice(&self, message_id: &str) -> Option<String> {
        let local = message_id.trim().trim_start_matches('<').trim_end_matches('>').split('@').next()?;
        let (id, word) = local.rsplit_once('.')?;
        let id = unescape(id)?;
        (self.word(&id) == word).then_some(id)
    }
}

/// RFC 5322 dot-atom: letters, digits, `-`, `_` and dots stay, all else becomes `=` and two hexadecimal digits.
fn escape(id: &str) -> String {
    let mut out = String::new();
    for b in id.bytes() {
        match b {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' => out.push(char::from(b)),
            _ => out.push_str(&format!("={b:02X}")),
        }
    }
    out
}

fn unescape(text: &str) -> Option<String> {
    let mut out = Vec::new();
    let mut rest = text.as_bytes();
    while let Some((first, after)) = rest.split_first() {
        if *first != b'=' {
            out.push(*first);
            rest = after;
            continue;
        }
        let digits = std::str::from_utf8(after.get(..2)?).ok()?;
        out.push(u8::from_str_radix(digits, 16).ok()?);
        rest = after.get(2..)?;
    }
    String::from_utf8(out).ok()
}

/// SipHash-2-4 (Aumasson and Bernstein, "SipHash: a fast short-input PRF", 2012).
fn siphash(key: [u64; 2], bytes: &[u8]) -> u64 {
    let mut v = [
        key[0] ^ 0x736f_6d65_7073_6575,
        key[1] ^ 0x646f_7261_6e64_6f6d,
        key[0] ^ 0x6c79_6765_6e65_7261,
        key[1] ^ 0x7465_6462_7974_6573,
    ];
    let mut chunks = bytes.chunks_exact(8);
    let word = |chunk: &[u8]| chunk.iter().rev().fold(0u64, |n, b| n << 8 | u64::from(*b));
    let absorb = |m: u64, v: &mut [u64; 4]| {
        v[3] ^= m;
        rounds(v, 2);
        v[0] ^= m;
    };
    for chunk in &mut chunks {
        absorb(word(chunk), &mut v);
    }
    absorb(word(chunks.remainder()) | (bytes.len() as u64) << 56, &mut v);
    v[2] ^= 0xff;
    rounds(&mut v, 4);
    v[0] ^ v[1] ^ v[2] ^ v[3]
}

fn rounds(v: &mut [u64; 4], n: u8) {
    for _ in 0..n {
        v[0] = v[0].wrapping_add(v[1]);
        v[1] = v[1].rotate_left(13) ^ v[0];
        v[0] = v[0].rotate_left(32);
        v[2] = v[2].wrapping_add(v[3]);
        v[3] = v[3].rotate_left(16) ^ v[2];
        v[0] = v[0].wrapping_add(v[3]);
        v[3] = v[3].rotate_left(21) ^ v[0];
        v[2] = v[2].wrapping_add(v[1]);
        v[1] = v[1].rotate_left(17) ^ v[2];
        v[2] = v[2].rotate_left(32);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn siphash_of_the_paper() {
        // Appendix A of the paper: key 00..0f, message 00..0e; and the first vector of its reference code (empty message).
        let key = [0x0706_0504_0302_0100, 0x0f0e_0d0c_0b0a_0908];
        let message: Vec<u8> = (0..15).collect();
        assert_eq!(siphash(key, &message), 0xa129_ca61_49be_45e5);
        assert_eq!(siphash(key, &[]), 0x726f_db47_dd0e_0e31);
    }

    #[test]
    fn an_id_is_recognised_by_its_own_store_only() {
        let seal = Seal::new("00112233445566778899aabbccddeeff");
        let other = Seal::new("00112233445566778899aabbccddeefe");
        for id in ["7Q.1", "daily.2026-03-04", "b ad\r\n<id>@", "ä"] {
            let message_id = seal.message_id(id, "example.org");
            assert!(message_id.is_ascii() && message_id.ends_with("@example.org>"));
            assert!(!message_id[1..message_id.len() - 1].contains(['\r', '\n', ' ', '<', '>']), "{message_id}");
            assert_eq!(seal.notice(&message_id).as_deref(), Some(id));
            assert_eq!(other.notice(&message_id), None);
        }
        let first = seal.message_id("7Q.1", "example.org");
        assert_eq!(seal.notice(&first.replace("7Q.1", "7Q.2")), None, "a word is good for one notice");
        for rubbish in ["", "<>", "<@>", "7Q.1@x", "<=.=@>", "<7Q.1.@x>", "=4"] {
            assert_eq!(seal.notice(rubbish), None);
        }
    }
}
