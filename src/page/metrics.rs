//! The house as OpenMetrics text 1.0, for whatever gathers numbers.

use super::standing::House;
use std::fmt::Write as _;

pub const KIND: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// A label's value: backslash, quote and line feed escaped as OpenMetrics 1.0 says.
fn label(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n")
}

/// One family after another.
struct Text(String);

impl Text {
    fn family(&mut self, name: &str, kind: &str, unit: &str, help: &str) {
        let _ = writeln!(self.0, "# TYPE {name} {kind}");
        if !unit.is_empty() {
            let _ = writeln!(self.0, "# UNIT {name} {unit}");
        }
        let _ = writeln!(self.0, "# HELP {name} {help}");
    }
    fn sample(&mut self, name: &str, labels: &[(&str, &str)], value: f64) {
        let labels: Vec<String> = labels.iter().map(|(k, v)| format!("{k}=\"{}\"", label(v))).collect();
        let labels = if labels.is_empty() { String::new() } else { format!("{{{}}}", labels.join(",")) };
        let _ = writeln!(self.0, "{name}{labels} {value}");
    }
}

pub fn text(house: &House) -> String {
    let (view, tally) = (house.view, house.tally);
    let mut out = Text(String::with_capacity(32 << 10));
    out.family("warmside_enclosures", "gauge", "", "Enclosures by how they stand; each is counted once.");
    for (state, n) in [
        ("in-band", tally.in_band),
        ("needs-you", tally.needs),
        ("not-watched", tally.not_watched),
        ("shelved", tally.shelved),
        ("hands-in", tally.hands_in),
    ] {
        out.sample("warmside_enclosures", &[("state", state)], n as f64);
    }
    out.family("warmside_incidents", "gauge", "", "Open incidents by urgency.");
    for urgency in ["now", "today", "note"] {
        let n = view.incidents.iter().filter(|i| i.urgency.word() == urgency).count();
        out.sample("warmside_incidents", &[("urgency", urgency)], n as f64);
    }
    out.family("warmside_temperature_celsius", "gauge", "celsius", "Last trusted reading of a place.");
    for e in &view.enclosures {
        for p in e.places.iter().filter(|p| p.unseen.is_none()) {
            if let Some(c) = p.celsius.filter(|c| c.is_finite()) {
                out.sample("warmside_temperature_celsius", &[("enclosure", &e.id), ("place", p.place.word())], c);
            }
        }
    }
    out.family("warmside_place_seen", "gauge", "", "1 where a wanted place is seen, 0 where it is not watched.");
    for e in &view.enclosures {
        for p in e.places.iter().filter(|p| p.wanted.is_some()) {
            let seen = f64::from(u8::from(p.unseen.is_none()));
            out.sample("warmside_place_seen", &[("enclosure", &e.id), ("place", p.place.word())], seen);
        }
    }
    out.family("warmside_broker_connected", "gauge", "", "1 while connected and subscribed.");
    out.sample("warmside_broker_connected", &[], f64::from(u8::from(view.feed.connected)));
    if let Some(newest) = view.feed.newest {
        out.family("warmside_newest_reading_age_seconds", "gauge", "seconds", "Age of the newest message.");
        out.sample("warmside_newest_reading_age_seconds", &[], view.at.wall.since(newest).as_s().max(0.0));
    }
    out.family("warmside_mail_failing", "gauge", "", "1 while mail does not go out.");
    out.sample("warmside_mail_failing", &[], f64::from(u8::from(view.post.failing.is_some())));
    out.family("warmside_mails_waiting", "gauge", "", "Mails that wait to be sent.");
    out.sample("warmside_mails_waiting", &[], f64::from(view.post.waiting));
    out.family("warmside_store_failing", "gauge", "", "1 while nothing can be stored.");
    out.sample("warmside_store_failing", &[], f64::from(u8::from(view.store_failing.is_some())));
    out.family("warmside_messages", "counter", "", "Messages since the start, by what became of them.");
    for (fate, n) in
        [("accepted", view.counts.accepted), ("refused", view.counts.refused), ("unlinked", view.counts.unlinked)]
    {
        out.sample("warmside_messages_total", &[("fate", fate)], n as f64);
    }
    out.0.push_str("# EOF\n");
    out.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_cannot_break_out() {
        assert_eq!(label("a\\b\"c\nd"), "a\\\\b\\\"c\\nd");
        let mut text = Text(String::new());
        text.sample("m", &[("x", "1\"} 5\nforged{y=\"")], 2.0);
        assert_eq!(text.0, "m{x=\"1\\\"} 5\\nforged{y=\\\"\"} 2\n");
    }
}
