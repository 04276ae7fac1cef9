//! The closed list of causes, their words in notices, and how urgent each usually is.

use serde::{Deserialize, Serialize};

/// When somebody has to act.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Urgency {
    /// Only ever in a digest.
    Note,
    Today,
    /// Act at once.
    Now,
}

impl Urgency {
    pub const fn word(self) -> &'static str {
        match self {
            Urgency::Note => "note",
            Urgency::Today => "today",
            Urgency::Now => "now",
        }
    }
}

macro_rules! causes {
    ($($name:ident $word:literal $urgency:ident $rank:literal;)*) => {
        /// Why something is wrong, from the most telling explanation to bare symptoms.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum Cause { $($name),* }

        impl Cause {
            pub const ALL: &[Cause] = &[$(Cause::$name),*];

            /// The word of notices.
            pub const fn word(self) -> &'static str {
                match self { $(Cause::$name => $word),* }
            }

            /// How urgent it is when nothing else is known.
            pub const fn usual_urgency(self) -> Urgency {
                match self { $(Cause::$name => Urgency::$urgency),* }
            }

            /// How much it explains: the cause of an incident is that of its findings with the highest rank.
            /// 3: names what broke. 2: names what happened. 1: a symptom.
            pub const fn explains(self) -> u8 {
                match self { $(Cause::$name => $rank),* }
            }
        }
    };
}

causes! {
    PowerLost "power-lost" Now 4;
    HeatFailed "heat-failed" Now 3;
    HeatStuckOn "heat-stuck-on" Now 3;
    HeatWeak "heat-weak" Today 3;
    OutsideHeat "outside-heat" Today 2;
    LeftOpen "left-open" Today 2;
    RoomHot "room-hot" Today 2;
    RoomCold "room-cold" Today 2;
    NoRetreat "no-retreat" Now 1;
    TooHot "too-hot" Now 1;
    TooCold "too-cold" Now 1;
    GradientLost "gradient-lost" Today 1;
    NightDropMissing "night-drop-missing" Today 1;
    LightMissing "light-missing" Today 2;
    LightStuckOn "light-stuck-on" Today 2;
    LightShifted "light-shifted" Today 2;
    LightFlickering "light-flickering" Today 2;
    HumidityHigh "humidity-high" Today 1;
    HumidityLow "humidity-low" Today 1;
    ProbeSilent "probe-silent" Today 2;
    ProbeFaulty "probe-faulty" Today 2;
    ProbeStuck "probe-stuck" Today 2;
    ProbeDisplaced "probe-displaced" Today 2;
    ProbesSwapped "probes-swapped" Today 2;
    UnitChanged "unit-changed" Today 2;
    FeedSilent "feed-silent" Now 3;
    PostFailing "post-failing" Now 3;
    StoreFailing "store-failing" Now 3;
    ClockWrong "clock-wrong" Today 3;
    OutpostSilent "outpost-silent" Today 3;
    WatcherRestarted "watcher-restarted" Note 3;
}

impl Cause {
    pub fn from_word(word: &str) -> Option<Cause> {
        Cause::ALL.iter().copied().find(|c| c.word() == word)
    }

    /// Whether it says that a place cannot be seen, not that an animal is in danger.
    pub const fn blinds(self) -> bool {
        matches!(
            self,
            Cause::ProbeSilent
                | Cause::ProbeFaulty
                | Cause::ProbeStuck
                | Cause::ProbeDisplaced
                | Cause::ProbesSwapped
                | Cause::UnitChanged
                | Cause::FeedSilent
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_those_of_serde_and_one_to_one() {
        for cause in Cause::ALL {
            assert_eq!(Cause::from_word(cause.word()), Some(*cause));
            assert_eq!(serde_json::to_string(cause).ok(), Some(format!("\"{}\"", cause.word())));
        }
    }
}
