//! Where in an enclosure or a room something is measured.

use serde::{Deserialize, Serialize};

/// A place in an enclosure; a room has `Air` only.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Place {
    BaskingSpot,
    WarmSide,
    Hide,
    CoolSide,
    /// The surface over a mat.
    Floor,
    Water,
    Air,
}

impl Place {
    /// All places, hot end first: the order of mails and pages.
    pub const ALL: [Place; 7] =
        [Place::BaskingSpot, Place::WarmSide, Place::Hide, Place::CoolSide, Place::Floor, Place::Water, Place::Air];

    /// The word of the configuration, of notices and of topics.
    pub const fn word(self) -> &'static str {
        match self {
            Place::BaskingSpot => "basking_spot",
            Place::WarmSide => "warm_side",
            Place::Hide => "hide",
            Place::CoolSide => "cool_side",
            Place::Floor => "floor",
            Place::Water => "water",
            Place::Air => "air",
        }
    }

    /// As a keeper reads it.
    pub const fn label(self) -> &'static str {
        match self {
            Place::BaskingSpot => "basking spot",
            Place::WarmSide => "warm side",
            Place::Hide => "hide",
            Place::CoolSide => "cool side",
            Place::Floor => "floor",
            Place::Water => "water",
            Place::Air => "air",
        }
    }

    pub fn from_word(word: &str) -> Option<Place> {
        Place::ALL.into_iter().find(|p| p.word() == word)
    }

    /// A dense index, for arrays of [`Place::COUNT`].
    pub const fn index(self) -> usize {
        self as usize
    }
    pub const COUNT: usize = 7;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_and_indices_are_one_to_one() {
        for (i, place) in Place::ALL.into_iter().enumerate() {
            assert_eq!(place.index(), i);
            assert_eq!(Place::from_word(place.word()), Some(place));
        }
    }
}
