//! Names that the keeper gave, and the dense indices under which the engine keeps what they name.

use serde::{Deserialize, Serialize};

/// The longest id in bytes.
pub const LONGEST_ID: usize = 64;

/// Whether a keeper's id can go into topics, addresses and file names: ASCII letters, digits, `-`, `_`, `.`; not only dots.
pub fn is_id(text: &str) -> bool {
    !text.is_empty()
        && text.len() <= LONGEST_ID
        && text.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_.".contains(&b))
        && text.bytes().any(|b| b != b'.')
}

macro_rules! index {
    ($name:ident, $inner:ty, $doc:literal) => {
        #[doc = $doc]
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub $inner);

        impl $name {
            pub const fn index(self) -> usize {
                self.0 as usize
            }
        }
    };
}

index!(
    EnclosureIx,
    u16,
    "Which enclosure, in the order of the configuration. Not stable over a reload: what is stored names ids."
);
index!(RoomIx, u16, "Which room, in the order of the configuration.");
index!(CircuitIx, u16, "Which circuit, in the order of the configuration.");
index!(KeeperIx, u16, "Which keeper, in the order of the configuration.");
index!(LinkIx, u16, "Which link, in the order of the configuration.");
index!(ProbeIx, u32, "Which probe: one quantity at one place of one enclosure or room.");

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_are_safe_everywhere() {
        for good in ["a3", "corn-snake", "B_7.left"] {
            assert!(is_id(good), "{good}");
        }
        for bad in ["", "..", "a/b", "a b", "ä", "a\n", &"x".repeat(65)] {
            assert!(!is_id(bad), "{bad}");
        }
    }
}
