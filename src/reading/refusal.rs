//! Why a message, or one number in it, is not taken: a closed list with words for the log, `status` and the page.

use serde::{Deserialize, Serialize};

macro_rules! refusals {
    ($($name:ident $words:literal;)*) => {
        /// Why nothing was read where something was expected. Nothing is ever guessed instead.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum Refusal { $(#[doc = $words] $name),* }

        impl Refusal {
            pub const ALL: &[Refusal] = &[$(Refusal::$name),*];
            pub const COUNT: usize = Refusal::ALL.len();

            /// What is wrong, as the end of a sentence that begins with the topic.
            pub const fn words(self) -> &'static str {
                match self { $(Refusal::$name => $words),* }
            }
        }
    };
}

refusals! {
    TooLong "the payload is longer than 256 KiB";
    NotUtf8 "the payload is not UTF-8 text";
    Empty "the payload is empty";
    NotJson "the payload is not one whole JSON document";
    NotANumber "this is not a number in the form that the link pins";
    OutOfRange "the number is not finite";
    Absent "none of the pointers of the link is in this message";
    Null "the value is null: the sensor has no reading";
    WrongType "the value is of another JSON type than the link pins";
    NotAState "a switch or light state must be 0, 1, true, false, or one of the link's words";
    UnknownWord "the text is neither of the link's words for on and off";
    NoSuffix "the text after the number is not the suffix that the link pins";
    Columns "the number of columns is not the one that the link pins";
    NotPicked "no element of the array has the member that the link picks by";
    Ambiguous "the value is there more than once";
    WrongUnit "the sender states a unit that does not fit the link's";
    BeyondRange "the value lies outside the range that its device states";
    MustUnderstand "the pack has a field that a reader must understand and we do not";
    BadPack "this is not a SenML pack of version 10 or lower";
    BadTime "the payload's own time cannot be read; its arrival counts";
    OtherTopic "another topic already feeds this place";
    TooManyProbes "there are more probes than 16384";
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn indices_are_dense() {
        for (i, refusal) in Refusal::ALL.iter().enumerate() {
            assert_eq!(*refusal as usize, i);
        }
    }
}
