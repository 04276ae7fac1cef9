//! The one password: kept as its Argon2id hash, verified slowly, and not by many guesses at once.

use crate::terms::secret::Secret;
use argon2::Argon2;
use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use std::collections::BTreeMap;
use std::net::IpAddr;
use std::time::Duration;

/// The hash of the password. Parameters are the crate's: Argon2id, 19 MiB, 2 passes, as OWASP's password storage sheet
/// recommends (from memory).
#[derive(Clone)]
pub struct Verifier(String);

impl Verifier {
    /// From what the password file holds: the password itself, or its hash in PHC form (`$argon2id$…`).
    pub fn of(secret: &Secret) -> Result<Verifier, String> {
        let text = secret.expose().trim_end_matches(['\r', '\n']);
        if text.is_empty() {
            return Err("the page's password is empty".to_owned());
        }
        if text.starts_with("$argon2") {
            let whole = PasswordHash::new(text).is_ok_and(|hash| hash.salt.is_some() && hash.hash.is_some());
            if !whole {
                return Err("the page's password begins like a hash but is none".to_owned());
            }
            return Ok(Verifier(text.to_owned()));
        }
        let mut salt = [0; 16];
        getrandom::fill(&mut salt).map_err(|_| "the machine gives no random bytes".to_owned())?;
        let salt = SaltString::encode_b64(&salt).map_err(|_| "the salt cannot be written".to_owned())?;
        let hash = Argon2::default().hash_password(text.as_bytes(), &salt);
        hash.map(|h| Verifier(h.to_string())).map_err(|_| "the password cannot be hashed".to_owned())
    }

    /// Takes some 20 ms and 19 MiB on purpose: call it from a thread that may block.
    pub fn accepts(&self, guess: &str) -> bool {
        PasswordHash::new(&self.0).is_ok_and(|hash| Argon2::default().verify_password(guess.as_bytes(), &hash).is_ok())
    }
}

/// Wrong guesses that cost nothing: fingers slip.
const FREE: u32 = 5;
/// The wait after the first guess too many; it doubles with each.
const FIRST_WAIT: Duration = Duration::from_secs(10);
const LONGEST_WAIT: Duration = Duration::from_secs(900);
/// After so long without a guess all is forgotten.
const FORGET: Duration = Duration::from_secs(3_600);
/// Addresses that are remembered; then the oldest goes.
const MOST_PEERS: usize = 1_024;

/// Who guessed wrong, how often, and when last.
#[derive(Debug, Default)]
pub struct Guesses(BTreeMap<IpAddr, (u32, Duration)>);

impl Guesses {
    /// How long this peer has to wait before its next guess; zero: now.
    pub fn wait(&self, peer: IpAddr, now: Duration) -> Duration {
        let Some((wrong, last)) = self.0.get(&group(peer)) else { return Duration::ZERO };
        let over = wrong.saturating_sub(FREE);
        if over == 0 {
            return Duration::ZERO;
        }
        let wait = FIRST_WAIT.saturating_mul(1 << (over - 1).min(10)).min(LONGEST_WAIT);
        (*last + wait).saturating_sub(now)
    }

    pub fn wrong(&mut self, peer: IpAddr, now: Duration) {
        self.0.retain(|_, (_, last)| now.saturating_sub(*last) < FORGET);
        if self.0.len() >= MOST_PEERS {
            let oldest = self.0.iter().min_by_key(|(_, (_, last))| *last).map(|(peer, _)| *peer);
            oldest.and_then(|peer| self.0.remove(&peer));
        }
        let entry = self.0.entry(group(peer)).or_default();
        *entry = (entry.0.saturating_add(1), now);
    }

    pub fn right(&mut self, peer: IpAddr) {
        self.0.remove(&group(peer));
    }
}

/// One household of IPv6 has a whole /64 to guess from: it counts as one.
fn group(peer: IpAddr) -> IpAddr {
    match peer {
        IpAddr::V6(v6) => match v6.to_ipv4_mapped() {
            Some(v4) => IpAddr::V4(v4),
            None => IpAddr::V6((u128::from(v6) & !u128::from(u64::MAX)).into()),
        },
        v4 => v4,
    }
}

/// Whether two texts are equal, in a time that does not tell where they differ.
pub fn same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).fold(0, |all, (x, y)| all | (x ^ y)) == 0
}

/// 32 random bytes as text that fits into a cookie, a field and an address.
pub fn random_text() -> Result<String, getrandom::Error> {
    use base64::Engine as _;
    let mut bytes = [0; 32];
    getrandom::fill(&mut bytes)?;
    Ok(base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(bytes))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_password_or_its_hash_opens_and_nothing_else_does() {
        let plain = Verifier::of(&Secret::new("warm stones\n")).unwrap();
        assert!(plain.accepts("warm stones") && !plain.accepts("warm stones\n") && !plain.accepts(""));
        let hashed = Verifier::of(&Secret::new(plain.0.clone())).unwrap();
        assert!(hashed.accepts("warm stones") && !hashed.accepts(&plain.0));
        assert!(Verifier::of(&Secret::new("\n")).is_err());
        assert!(Verifier::of(&Secret::new("$argon2id$nonsense")).is_err());
    }

    #[test]
    fn guessing_gets_slower_and_a_household_is_one_guesser() {
        let mut guesses = Guesses::default();
        let peer: IpAddr = "2001:db8::1".parse().unwrap();
        let neighbour: IpAddr = "2001:db8::2".parse().unwrap();
        let other: IpAddr = "192.0.2.7".parse().unwrap();
        let now = Duration::from_secs(100);
        (0..FREE).for_each(|_| guesses.wrong(peer, now));
        assert_eq!(guesses.wait(neighbour, now), Duration::ZERO);
        guesses.wrong(neighbour, now);
        assert_eq!(guesses.wait(peer, now), FIRST_WAIT);
        assert_eq!(guesses.wait(other, now), Duration::ZERO);
        guesses.wrong(peer, now);
        assert_eq!(guesses.wait(peer, now + FIRST_WAIT), FIRST_WAIT);
        (0..60).for_each(|_| guesses.wrong(peer, now));
        assert_eq!(guesses.wait(peer, now), LONGEST_WAIT);
        guesses.right(peer);
        assert_eq!(guesses.wait(peer, now), Duration::ZERO);
        (0..5_000u32).for_each(|n| guesses.wrong(IpAddr::V4(n.into()), now));
        assert!(guesses.0.len() <= MOST_PEERS);
    }
}
