//! What a house says and what makes it believed: the key that both hold, and a challenge that is answered once and soon.

use super::settings::SHORTEST_KEY;
use crate::terms::secret::Secret;
use crate::terms::time::Span;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ring::hmac;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt;
use std::time::Duration;

/// A challenge is good for so long after it was given. Longer than a slow line needs, far shorter than a beat's interval:
/// who holds beats back cannot make a dead house look alive for longer than this.
pub const CHALLENGE_LIVES: Duration = Duration::from_secs(30);
/// What a house may call its interval.
pub const EVERY: std::ops::RangeInclusive<Span> = Span::s(1)..=Span::min(10);
/// The largest beat in bytes.
pub const LARGEST_BEAT: usize = 2_048;
/// The header that carries a signature.
pub const SIGNATURE: &str = "warmside-signature";

/// What is signed begins with what it is, so that no signature is good for anything else.
const BEAT: &str = "warmside beat 1";
const HEARD: &str = "warmside heard 1";
const CHALLENGE: &str = "warmside challenge 1";

/// What a house says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Beat {
    pub challenge: String,
    /// When the next one is to be expected.
    pub every: Span,
    /// Whether its own mails go out.
    pub mails: bool,
}

impl Beat {
    pub fn bytes(&self) -> Vec<u8> {
        // Text, a number and a flag: nothing that JSON cannot say.
        serde_json::to_vec(self).unwrap_or_default()
    }
}

/// The key of one house. Shows nothing of itself.
#[derive(Clone)]
pub struct Key(hmac::Key);

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("•••")
    }
}

impl Key {
    /// `None`: too short to keep anybody out.
    pub fn new(secret: &Secret) -> Option<Key> {
        let text = secret.expose().as_bytes();
        (text.len() >= SHORTEST_KEY).then(|| Key(hmac::Key::new(hmac::HMAC_SHA256, text)))
    }

    /// The house's signature of its beat.
    pub fn sign(&self, house: &str, beat: &[u8]) -> String {
        tag(&self.0, BEAT, house, beat)
    }

    /// The outpost's signature under a challenge: it has heard the beat that carried it.
    pub fn sign_heard(&self, house: &str, challenge: &str) -> String {
        tag(&self.0, HEARD, house, challenge.as_bytes())
    }

    pub fn is_heard(&self, house: &str, challenge: &str, tag: &str) -> bool {
        is_tag(&self.0, HEARD, house, challenge.as_bytes(), tag)
    }
}

/// A house's id holds no line feed (`terms::id`), so that no two things are signed as the same bytes.
fn message(what: &str, house: &str, bytes: &[u8]) -> Vec<u8> {
    [what.as_bytes(), b"\n", house.as_bytes(), b"\n", bytes].concat()
}

fn tag(key: &hmac::Key, what: &str, house: &str, bytes: &[u8]) -> String {
    URL_SAFE_NO_PAD.encode(hmac::sign(key, &message(what, house, bytes)))
}

fn is_tag(key: &hmac::Key, what: &str, house: &str, bytes: &[u8], tag: &str) -> bool {
    let tag = URL_SAFE_NO_PAD.decode(tag).unwrap_or_default();
    hmac::verify(key, &message(what, house, bytes), &tag).is_ok()
}

/// Why a beat does not count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Refusal {
    UnknownHouse,
    /// Not by the key that we hold for this house.
    Signature,
    /// Signed, and not in our words.
    Unreadable,
    /// Its challenge is of another start, of another house, or nobody's.
    Challenge,
    Late,
    /// Its challenge, or a younger one, was answered before.
    Again,
}

impl Refusal {
    pub const fn words(self) -> &'static str {
        match self {
            Refusal::UnknownHouse => "no house is called this here",
            Refusal::Signature => "the signature is not by this house's key: do both files hold the same key?",
            Refusal::Unreadable => "signed by the house, and not understood: are both sides of one version?",
            Refusal::Challenge => "it answers no challenge of this outpost since its start",
            Refusal::Late => "it came too late after its challenge: a very slow line, or somebody held it back",
            Refusal::Again => "it came a second time",
        }
    }
}

/// Whom an outpost listens for, and what was used up.
#[derive(Debug)]
pub struct Ear {
    /// Of this start alone: challenges of an earlier one are nobody's.
    own: hmac::Key,
    houses: BTreeMap<String, (Key, Option<u64>)>,
}

impl Ear {
    /// `random`: fresh at every start. Houses whose key is too short are not heard; `config/` refuses them.
    pub fn new<'a>(random: [u8; 32], houses: impl IntoIterator<Item = (&'a str, &'a Secret)>) -> Ear {
        let houses = houses.into_iter().filter_map(|(id, secret)| Some((id.to_owned(), (Key::new(secret)?, None))));
        Ear { own: hmac::Key::new(hmac::HMAC_SHA256, &random), houses: houses.collect() }
    }

    /// A challenge, for whoever asks: it tells nothing but how long we have been up. `ticks`: our monotonic clock.
    pub fn challenge(&self, house: &str, ticks: Duration) -> String {
        let ms = ms(ticks);
        format!("{ms:x}.{}", tag(&self.own, CHALLENGE, house, &ms.to_be_bytes()))
    }

    /// Judges a beat. `Ok`: the house is alive now. The signature comes first, so that strangers use nothing up.
    pub fn hear(&mut self, house: &str, beat: &[u8], tag: &str, ticks: Duration) -> Result<Beat, Refusal> {
        let (key, used) = self.houses.get_mut(house).ok_or(Refusal::UnknownHouse)?;
        if !is_tag(&key.0, BEAT, house, beat, tag) {
            return Err(Refusal::Signature);
        }
        let beat: Beat = serde_json::from_slice(beat).map_err(|_| Refusal::Unreadable)?;
        if !EVERY.contains(&beat.every) {
            return Err(Refusal::Unreadable);
        }
        let (given, seal) = beat.challenge.split_once('.').ok_or(Refusal::Challenge)?;
        let given = u64::from_str_radix(given, 16).map_err(|_| Refusal::Challenge)?;
        if !is_tag(&self.own, CHALLENGE, house, &given.to_be_bytes(), seal) {
            return Err(Refusal::Challenge);
        }
        if used.is_some_and(|used| given <= used) {
            return Err(Refusal::Again);
        }
        if Duration::from_millis(ms(ticks).saturating_sub(given)) > CHALLENGE_LIVES {
            return Err(Refusal::Late);
        }
        *used = Some(given);
        Ok(beat)
    }

    /// The answer to a beat that was heard.
    pub fn heard(&self, house: &str, beat: &Beat) -> String {
        self.houses.get(house).map(|(key, _)| key.sign_heard(house, &beat.challenge)).unwrap_or_default()
    }
}

fn ms(ticks: Duration) -> u64 {
    u64::try_from(ticks.as_millis()).unwrap_or(u64::MAX)
}
