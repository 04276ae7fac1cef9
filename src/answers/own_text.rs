//! What somebody wrote into a reply themselves: without quotes, without the mail below it. Pure.
//!
//! In doubt a line is taken for somebody else's: an answer that is not understood costs a reminder, an alarm that is
//! silenced by its own quoted text may cost an animal.

use mail_parser::{Message, MimeHeaders, PartType};

/// The words that answer an alarm.
const WORDS: &str = "have it";
/// Own lines among which the words must be.
const LINES: usize = 5;

/// Words with which programs begin the header of the mail below: `From:` in the languages that we know of.
const FROM: [&str; 16] = [
    "from:",
    "von:",
    "de:",
    "da:",
    "van:",
    "fra:",
    "från:",
    "od:",
    "kimden:",
    "feladó:",
    "lähettäjä:",
    "от:",
    "из:",
    "发件人:",
    "差出人:",
    "보낸 사람:",
];

/// Where programs begin what they quote in HTML.
const HTML_QUOTES: [&str; 9] = [
    "<blockquote",
    "gmail_quote",
    "divrplyfwdmsg",
    "appendonsend",
    "moz-cite-prefix",
    "yahoo_quoted",
    "protonmail_quote",
    "<hr",
    "border-top:solid",
];

/// Whether the reply's own text says that its writer has the matter in hand: a line of its own, alone or followed by
/// punctuation, in any case: `HAVE IT`, `Have it, thanks`, `I have it.` Below a quote, where the tail of a quoted line that
/// was wrapped may stand, it must be alone.
pub(super) fn has_it(mail: &Message<'_>) -> bool {
    own(mail).into_iter().take(LINES).any(|(line, below)| {
        let line = line.strip_prefix("i ").unwrap_or(&line);
        let Some(rest) = line.strip_prefix(WORDS) else { return false };
        let mut rest = rest.trim_start().chars().filter(|c| !c.is_whitespace()).peekable();
        let mark = |c: &char| ".!,;:-\u{2013}\u{2014}".contains(*c);
        if below { rest.all(|c| mark(&c)) } else { rest.peek().is_none_or(mark) }
    })
}

/// Lower case, single blanks, without the marks of emphasis and what cannot be seen.
fn plain(line: &str) -> String {
    let line: String = line
        .chars()
        .filter(|c| !matches!(c, '*' | '_' | '"' | '\u{201c}' | '\u{201d}' | '\u{200b}' | '\u{feff}'))
        .flat_map(char::to_lowercase)
        .collect();
    line.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Own lines, none empty, and whether each stands below a quote.
type Lines = Vec<(String, bool)>;

/// Of the first text of a mail that is shown, up to where somebody else's begins for good.
fn own(mail: &Message<'_>) -> Lines {
    let shown = mail.text_body.first().and_then(|id| mail.parts.get(*id as usize));
    match shown.filter(|p| !p.is_content_type("text", "calendar")).map(|p| &p.body) {
        Some(PartType::Text(text)) => own_lines(text),
        Some(PartType::Html(html)) => own_lines(&html_text(html)),
        _ => Lines::new(),
    }
}

fn own_lines(text: &str) -> Lines {
    let mut own = Lines::new();
    let mut below = false;
    let lines: Vec<String> = text.lines().map(plain).filter(|line| !line.is_empty()).collect();
    for (i, line) in lines.iter().enumerate() {
        let quote_follows = lines.get(i + 1).is_some_and(|next| is_quoted(next));
        if is_quoted(line) || (is_attribution(line) && quote_follows) {
            below = true;
        } else if is_attribution(line) || ends_all(line) {
            break;
        } else {
            own.push((line.clone(), below));
        }
    }
    own
}

fn is_quoted(line: &str) -> bool {
    line.starts_with(['>', '|'])
}

/// `On 3 March Warmside <...> wrote:` in any language; and whatever else cites an address.
fn is_attribution(line: &str) -> bool {
    line.ends_with(':') || line.contains('@')
}

/// A signature's mark, `-----Original Message-----`, a line of dashes, the header of the mail below.
fn ends_all(line: &str) -> bool {
    let rule = |mark: char| line.chars().take_while(|c| *c == mark).count() >= 3;
    line == "--" || rule('-') || rule('=') || FROM.iter().any(|from| line.starts_with(from))
}

/// HTML without its tags, up to where its quote begins; blocks and breaks end lines.
fn html_text(html: &str) -> String {
    let lower = html.to_ascii_lowercase();
    let mut end = html.len();
    for quote in HTML_QUOTES {
        if let Some(at) = lower.find(quote) {
            // The quote's own tag goes too.
            end = end.min(lower[..at].rfind('<').unwrap_or(at));
        }
    }
    let mut text = html.get(..end).unwrap_or("").to_owned();
    for tag in ["<br", "</p", "</div", "<div", "<p", "</td", "</tr", "</li"] {
        text = break_before(&text, tag);
    }
    mail_parser::decoders::html::html_to_text(&text)
}

/// A paragraph before each such tag, so that the words after it begin a line.
fn break_before(html: &str, tag: &str) -> String {
    let lower = html.to_ascii_lowercase();
    let (mut out, mut from) = (String::new(), 0);
    for (at, _) in lower.match_indices(tag) {
        out.push_str(&html[from..at]);
        out.push_str("<br>");
        from = at;
    }
    out.push_str(&html[from..]);
    out
}
