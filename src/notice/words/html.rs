//! HTML beside the text: tables and inline styles, light and dark, nothing loaded, everything escaped.

use super::doc::{Block, Doc, Hue, ReadingRow, Table, WeekRow};
use std::fmt::Write;

/// Dark colours win by class where the reader asks for them; the inline ones are for readers that drop `<style>`.
const STYLE: &str = "@media (prefers-color-scheme:dark){\
body,.p{background:#181715!important}\
.i{color:#edeae3!important}.s{color:#b3aea4!important}\
.cold{color:#84b9f0!important}.hot{color:#ff8f6b!important}\
.fcold{background:#84b9f0!important}.fhot{background:#ff8f6b!important}.fink{background:#edeae3!important}\
.fedge{background:#7f7a70!important}.fband{background:#3a3834!important}\
.r{border-color:#3a3834!important}.h{border-color:#7f7a70!important}\
.b{background:#edeae3!important}.b a{color:#181715!important}}";

const FONT: &str = "font-family:sans-serif;";
/// Width of a bullet, px.
const BULLET: f64 = 176.0;
const DOT: f64 = 5.0;

pub fn html(doc: &Doc, subject: &str) -> String {
    let mut out = String::with_capacity(8_000);
    out.push_str("<!doctype html>\n<html lang=\"en\">\n<head><meta charset=\"utf-8\">");
    out.push_str("<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">");
    out.push_str("<meta name=\"color-scheme\" content=\"light dark\"><meta name=\"supported-color-schemes\" content=\"light dark\">");
    put(&mut out, format_args!("<title>{}</title><style>{STYLE}</style></head>\n", escape(subject)));
    out.push_str("<body style=\"margin:0;padding:0;background:#ffffff\">\n");
    out.push_str("<table role=\"presentation\" class=\"p\" width=\"100%\" cellpadding=\"0\" cellspacing=\"0\" border=\"0\" style=\"background:#ffffff\"><tr><td align=\"left\" style=\"padding:16px\">\n");
    out.push_str("<table role=\"presentation\" width=\"100%\" cellpadding=\"0\" cellspacing=\"0\" border=\"0\" style=\"max-width:560px;width:100%\">\n");
    let (fill, class) = fill(doc.hue);
    put(
        &mut out,
        format_args!(
            "<tr><td class=\"{class}\" height=\"6\" style=\"height:6px;line-height:6px;font-size:1px;background:{fill}\">&nbsp;</td></tr>\n"
        ),
    );
    put(
        &mut out,
        format_args!(
            "<tr><td class=\"s\" style=\"{FONT}font-size:14px;line-height:20px;color:#5a564f;padding:12px 0 0 0\">{}</td></tr>\n",
            escape(&doc.place)
        ),
    );
    put(
        &mut out,
        format_args!(
            "<tr><td class=\"i\" style=\"{FONT}font-size:24px;line-height:30px;font-weight:bold;color:#1f1d1a;padding:2px 0 4px 0\">{}</td></tr>\n",
            escape(&doc.headline)
        ),
    );
    for block in &doc.blocks {
        write_block(&mut out, block);
        out.push('\n');
    }
    put(
        &mut out,
        format_args!(
            "<tr><td class=\"s\" style=\"{FONT}font-size:13px;line-height:18px;color:#5a564f;padding:16px 0 0 0\">{}</td></tr>\n",
            escape(&doc.foot)
        ),
    );
    out.push_str("</table></td></tr></table>\n</body>\n</html>\n");
    out
}

/// Writing to a `String` cannot fail.
fn put(out: &mut String, args: std::fmt::Arguments<'_>) {
    let _ = out.write_fmt(args);
}

/// For text and for attributes in double quotes. Control characters, which HTML does not allow, become blanks.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\u{a0}' => out.push_str("&nbsp;"),
            '\n' => out.push_str("<br>"),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

fn label(text: &str) -> String {
    if text.is_empty() {
        return String::new();
    }
    format!("<div class=\"s\" style=\"font-size:13px;line-height:18px;color:#5a564f\">{}</div>", escape(text))
}

fn write_block(out: &mut String, block: &Block) {
    match block {
        Block::Say { label: l, text, strong } => {
            let size = if *strong { 17 } else { 16 };
            put(
                out,
                format_args!(
                    "<tr><td style=\"{FONT}padding:10px 0 0 0\">{}<div class=\"i\" style=\"font-size:{size}px;line-height:24px;color:#1f1d1a\">{}</div></td></tr>",
                    label(l),
                    escape(text)
                ),
            );
        }
        Block::Own { label: l, text } => put(
            out,
            format_args!(
                "<tr><td style=\"{FONT}padding:10px 0 0 0\">{}<div class=\"i\" style=\"font-size:17px;line-height:24px;color:#1f1d1a\">{}</div></td></tr>",
                label(l),
                escape(text.trim_end())
            ),
        ),
        Block::Steps { label: l, steps } => {
            put(
                out,
                format_args!(
                    "<tr><td style=\"{FONT}padding:10px 0 0 0\">{}<ol class=\"i\" style=\"font-size:17px;line-height:24px;color:#1f1d1a;margin:0;padding:0 0 0 24px\">",
                    label(l)
                ),
            );
            for step in steps {
                put(out, format_args!("<li style=\"padding:0 0 3px 0\">{}</li>", escape(step)));
            }
            out.push_str("</ol></td></tr>");
        }
        Block::Readings { letter, rows } => readings(out, letter, rows),
        Block::Table(table) => write_table(out, table),
        Block::Picture { caption, cid, size: (width, height), alt } => put(
            out,
            format_args!(
                "<tr><td style=\"{FONT}padding:12px 0 0 0\"><div class=\"s\" style=\"font-size:13px;line-height:18px;color:#5a564f;padding:0 0 4px 0\">{}</div><img src=\"cid:{}\" width=\"{width:.0}\" height=\"{height:.0}\" alt=\"{}\" style=\"display:block;width:100%;max-width:{width:.0}px;height:auto;border:0\"></td></tr>",
                escape(caption),
                escape(cid),
                escape(alt)
            ),
        ),
        Block::Weeks { title, weeks, .. } => write_weeks(out, title, weeks),
        Block::Button { words, url } => put(
            out,
            format_args!(
                "<tr><td style=\"padding:16px 0 4px 0\"><table role=\"presentation\" cellpadding=\"0\" cellspacing=\"0\" border=\"0\"><tr><td class=\"b\" style=\"background:#1f1d1a;padding:12px 24px\"><a href=\"{}\" style=\"{FONT}font-size:17px;line-height:24px;font-weight:bold;color:#ffffff;text-decoration:none\">{}</a></td></tr></table></td></tr>",
                escape(url),
                escape(words)
            ),
        ),
    }
}

fn fill(hue: Hue) -> (&'static str, &'static str) {
    match hue {
        Hue::Cold => ("#1a5a9e", "fcold"),
        Hue::Hot => ("#b1381a", "fhot"),
        Hue::Ink => ("#1f1d1a", "fink"),
        Hue::Edge => ("#847f75", "fedge"),
        Hue::Band => ("#d8d3c8", "fband"),
    }
}

fn readings(out: &mut String, letter: &str, rows: &[ReadingRow]) {
    put(
        out,
        format_args!(
            "<tr><td style=\"padding:10px 0 0 0\"><table cellpadding=\"0\" cellspacing=\"0\" border=\"0\" style=\"border-collapse:collapse\"><caption class=\"s\" style=\"{FONT}font-size:13px;line-height:18px;color:#5a564f;text-align:left;padding:0 0 2px 0\">Readings, °{letter}. Grey: wanted</caption>"
        ),
    );
    let scale = scale(rows);
    for row in rows {
        let (ink, class) = match row.hue {
            Some(Hue::Cold) => ("font-weight:bold;color:#1a5a9e", "cold"),
            Some(Hue::Hot) => ("font-weight:bold;color:#b1381a", "hot"),
            Some(_) => ("font-weight:bold;color:#1f1d1a", "i"),
            None => ("color:#1f1d1a", "i"),
        };
        let cell = "font-size:15px;line-height:22px;padding:4px 12px 4px 0;white-space:nowrap;";
        put(
            out,
            format_args!(
                "<tr><th scope=\"row\" align=\"left\" class=\"i\" style=\"{FONT}{cell}font-weight:normal;color:#1f1d1a\">{}</th>",
                escape(&row.label)
            ),
        );
        put(
            out,
            format_args!("<td align=\"right\" class=\"{class}\" style=\"{FONT}{cell}{ink}\">{}</td>", escape(&row.now)),
        );
        match (row.bullet, scale) {
            (Some((value, wanted)), Some(scale)) => bullet(out, value, wanted, scale, row.hue),
            _ => out.push_str("<td></td>"),
        }
        let wanted = if row.wanted.is_empty() { String::new() } else { format!("wanted {}: ", row.wanted) };
        put(
            out,
            format_args!(
                "</tr><tr><td colspan=\"3\" class=\"s\" style=\"{FONT}font-size:13px;line-height:18px;padding:0 0 6px 0;color:#5a564f\">{}</td></tr>",
                escape(&format!("{wanted}{}", row.remark))
            ),
        );
    }
    out.push_str("</table></td></tr>");
}

/// From 4 below the lowest wanted to 2 above the highest value or limit.
fn scale(rows: &[ReadingRow]) -> Option<(f64, f64)> {
    let bullets = rows.iter().filter_map(|r| r.bullet);
    let mut range: Option<(f64, f64)> = None;
    for (value, (low, high)) in bullets {
        let value = value.filter(|v| v.is_finite());
        let (lo, hi) = (low.min(value.unwrap_or(low)), high.max(value.unwrap_or(high)));
        range = Some(range.map_or((lo, hi), |(a, b)| (a.min(lo), b.max(hi))));
    }
    range.map(|(lo, hi)| (lo - 4.0, hi + 2.0)).filter(|(lo, hi)| lo.is_finite() && hi.is_finite() && hi > lo)
}

/// A strip of table cells: outside the band, the band, and the value as a dot.
fn bullet(out: &mut String, value: Option<f64>, (low, high): (f64, f64), (from, to): (f64, f64), hue: Option<Hue>) {
    let px = |v: f64| ((v - from) / (to - from) * BULLET).clamp(0.0, BULLET);
    let (a, b) = (px(low), px(high).max(px(low)));
    let dot = value.filter(|v| v.is_finite()).map(|v| (px(v) - DOT / 2.0).clamp(0.0, BULLET - DOT));
    let mut edges = vec![0.0, a, b, BULLET];
    if let Some(dot) = dot {
        edges.extend([dot, dot + DOT]);
    }
    edges.sort_by(f64::total_cmp);
    out.push_str("<td style=\"padding:4px 0\"><table role=\"presentation\" cellpadding=\"0\" cellspacing=\"0\" border=\"0\" width=\"176\" style=\"width:176px;border-collapse:collapse\"><tr>");
    let mut done = 0i64;
    for pair in edges.windows(2) {
        let [from, to] = pair else { continue };
        // Whole pixels that add up to the whole.
        let end = to.round() as i64;
        let width = end - done;
        if width <= 0 {
            continue;
        }
        done = end;
        let middle = (from + to) / 2.0;
        let on_dot = dot.is_some_and(|d| middle >= d && middle <= d + DOT);
        let (style, class) = match (on_dot, middle >= a && middle <= b) {
            (true, _) => {
                let (fill, class) = fill(hue.unwrap_or(Hue::Ink));
                (format!("background:{fill}"), class)
            }
            (false, true) => ("background:#d8d3c8".to_owned(), "fband"),
            (false, false) => ("border-bottom:1px solid #d8d3c8".to_owned(), "r"),
        };
        put(
            out,
            format_args!(
                "<td class=\"{class}\" width=\"{width}\" height=\"14\" style=\"width:{width}px;height:14px;line-height:14px;font-size:1px;{style}\">&nbsp;</td>"
            ),
        );
    }
    out.push_str("</tr></table></td>");
}

/// Minutes out of band from which a day's cell is half and wholly filled.
const SOME_MIN: f64 = 15.0;
const MUCH_MIN: f64 = 60.0;

/// An enclosure with a cell a day, and its numbers below: empty in band, half out for a while, full out for long, dashed not
/// watched. A table of all numbers would be wider than a phone.
fn write_weeks(out: &mut String, title: &str, weeks: &[WeekRow]) {
    put(
        out,
        format_args!(
            "<tr><td style=\"padding:16px 0 0 0\"><table cellpadding=\"0\" cellspacing=\"2\" border=\"0\"><caption class=\"s\" style=\"{FONT}font-size:13px;line-height:18px;color:#5a564f;text-align:left;padding:0 0 4px 0\">{}</caption>",
            escape(title)
        ),
    );
    for week in weeks {
        put(
            out,
            format_args!(
                "<tr><th scope=\"row\" align=\"left\" class=\"i\" style=\"{FONT}font-size:15px;line-height:22px;font-weight:normal;color:#1f1d1a;padding:4px 12px 0 0\">{}</th>",
                escape(&week.label)
            ),
        );
        for out_min in &week.out_min {
            let (style, class, said) = match out_min.filter(|m| m.is_finite()) {
                None => ("border:1px dashed #847f75", "r", "not watched".to_owned()),
                Some(m) if m < SOME_MIN => ("border:1px solid #d8d3c8", "r", "in band".to_owned()),
                Some(m) if m < MUCH_MIN => {
                    ("border:1px solid #847f75;border-bottom:7px solid #847f75", "h", minutes(m))
                }
                Some(m) => ("border:1px solid #1f1d1a;background:#1f1d1a", "fink", minutes(m)),
            };
            put(
                out,
                format_args!(
                    "<td class=\"{class}\" width=\"20\" height=\"16\" title=\"{said}\" style=\"width:20px;height:16px;line-height:6px;font-size:1px;{style}\">&nbsp;</td>"
                ),
            );
        }
        put(
            out,
            format_args!(
                "</tr><tr><td colspan=\"{}\" class=\"s\" style=\"{FONT}font-size:13px;line-height:18px;padding:0 0 4px 0;color:#5a564f\">{}</td></tr>",
                week.out_min.len() + 1,
                escape(&week.numbers)
            ),
        );
    }
    out.push_str("</table></td></tr>");
}

fn minutes(m: f64) -> String {
    format!("{m:.0} min out of band")
}

fn write_table(out: &mut String, table: &Table) {
    put(
        out,
        format_args!(
            "<tr><td style=\"padding:16px 0 0 0\"><table cellpadding=\"0\" cellspacing=\"0\" border=\"0\" style=\"border-collapse:collapse\"><caption class=\"s\" style=\"{FONT}font-size:13px;line-height:18px;color:#5a564f;text-align:left;padding:0 0 4px 0\">{}</caption><tr>",
            escape(&table.title)
        ),
    );
    let align = |number: bool| if number { "right" } else { "left" };
    for (name, _, number) in &table.columns {
        put(
            out,
            format_args!(
                "<th scope=\"col\" align=\"{}\" class=\"s r\" style=\"{FONT}font-size:13px;line-height:18px;font-weight:normal;color:#5a564f;padding:2px 16px 4px 0;border-bottom:1px solid #847f75\">{}</th>",
                align(*number),
                escape(name)
            ),
        );
    }
    out.push_str("</tr>");
    for row in &table.rows {
        out.push_str("<tr>");
        for ((_, _, number), cell) in table.columns.iter().zip(row) {
            put(
                out,
                format_args!(
                    "<td align=\"{}\" class=\"i r\" style=\"{FONT}font-size:15px;line-height:22px;color:#1f1d1a;padding:4px 16px 4px 0;border-bottom:1px solid #d8d3c8\">{}</td>",
                    align(*number),
                    escape(cell)
                ),
            );
        }
        out.push_str("</tr>");
    }
    out.push_str("</table></td></tr>");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_a_keeper_writes_is_markup() {
        assert_eq!(escape("<b onload=\"x\">'&\u{7}\n"), "&lt;b onload=&quot;x&quot;&gt;&#39;&amp; <br>");
    }

    #[test]
    fn a_bullet_is_as_wide_as_said() {
        for value in [Some(29.7), None, Some(-40.0), Some(99.0), Some(f64::NAN), Some(30.0)] {
            let mut out = String::new();
            bullet(&mut out, value, (30.0, 32.0), (26.0, 34.0), Some(Hue::Cold));
            let widths: i64 =
                out.split(" width=\"").skip(2).filter_map(|w| w.split('"').next()?.parse::<i64>().ok()).sum();
            assert_eq!(widths, 176, "{value:?}");
            assert_eq!(out.contains("#1a5a9e"), value.is_some_and(f64::is_finite), "{value:?}");
        }
    }
}
