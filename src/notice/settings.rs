//! Keepers, letters and repeats as the configuration states them. Built by `config/`, obeyed here.

use crate::terms::quantity::Degrees;
use crate::terms::time::Span;

/// Somebody who is told.
#[derive(Clone, Debug, PartialEq)]
pub struct Keeper {
    pub id: String,
    pub name: String,
    pub mail: String,
    /// Joins when nobody has answered for that long; `None`: is told at once.
    pub after: Option<Span>,
    /// Printed in mails, never dialled.
    pub phone: Option<String>,
    /// Dates (from, to, both inclusive) as days since 1970-01-01 in the site's zone.
    pub away: Vec<(i32, i32)>,
}

/// A day of the week, Monday 0 to Sunday 6, and a minute of the local day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Weekly {
    pub weekday: u8,
    pub minute: u16,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    pub site: String,
    /// IANA name.
    pub time_zone: String,
    pub degrees: Degrees,
    pub keepers: Vec<Keeper>,
    /// Minute of the local day of the daily letter; `None`: not sent.
    pub daily: Option<u16>,
    pub weekly: Option<Weekly>,
    /// Between repeats while nobody has answered, by urgency.
    pub repeat_now: Span,
    pub repeat_today: Span,
    /// How long an answer pauses repeats.
    pub pause: Span,
    /// Urgent mails an hour; what is over is gathered into one.
    pub at_most: u32,
    pub vet_phone: Option<String>,
    /// Whether replies to mails are read.
    pub answers_by_mail: bool,
    /// The page's address without a final `/`, for links in mails; `None`: no link.
    pub page: Option<String>,
}
