//! A password or token that never shows: `Debug` prints bullets, and nothing serialises it.

use std::fmt;

/// Something that must reach one server and nothing else: no log, mail, error or page.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    pub fn new(text: impl Into<String>) -> Secret {
        Secret(text.into())
    }
    /// The secret itself, for the one call that needs it. Whoever calls this owes that it goes nowhere else.
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("•••")
    }
}

/// Who somebody is in TLS, as PEM: the certificate chain, their own first, and its private key.
#[derive(Clone, Debug, PartialEq)]
pub struct Identity {
    pub certificate_pem: Vec<u8>,
    pub key_pem: Secret,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn debug_shows_neither_text_nor_length() {
        let (short, long) = (Secret::new("a"), Secret::new("correct horse battery staple"));
        assert_eq!(format!("{short:?}"), format!("{long:?}"));
        assert!(!format!("{:?}", Some(&long)).contains("horse"));
        assert_eq!(long.expose(), "correct horse battery staple");
    }
}
