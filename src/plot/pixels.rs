//! A drawing as an opaque PNG on white, for mails: light colours whatever the reader's are, twice as fine as CSS pixels.

use super::drawing::{Anchor, Drawing, Ink, Mark, Tone};
use tiny_skia::{Color, FillRule, LineJoin, Paint, Path, PathBuilder, Pixmap, Stroke, StrokeDash, Transform};
use ttf_parser::{Face, OutlineBuilder};

/// The letters; their licence lies beside them.
const FONT: &[u8] = include_bytes!("font/trace.ttf");
const FINE: f32 = 2.0;
/// Larger ones are not drawn, in CSS pixels.
const LARGEST: f64 = 2_000.0;
/// Height of letters.
const LETTERS: f32 = 13.0;
/// Most characters of one line of letters.
const MOST_LETTERS: usize = 120;

/// `None`: it has no size that could be drawn.
pub fn png(drawing: &Drawing) -> Option<Vec<u8>> {
    let size = |v: f64| (v > 0.0 && v <= LARGEST).then_some((v as f32 * FINE) as u32);
    let mut on = Pixmap::new(size(drawing.width)?, size(drawing.height)?)?;
    on.fill(Color::WHITE);
    let face = Face::parse(FONT, 0).ok()?;
    for mark in &drawing.marks {
        match mark {
            Mark::Path { ink, d } => {
                if let Some(path) = path(d) {
                    paint(&mut on, &path, *ink);
                }
            }
            Mark::Words { x, y, anchor, tone, text } => {
                if let Some(path) = words(&face, text, *x as f32, *y as f32, *anchor) {
                    write(&mut on, &path, *tone);
                }
            }
            Mark::Says { .. } => {}
        }
    }
    on.encode_png().ok()
}

/// Red, green, blue, share of opacity.
type Colour = (u8, u8, u8, f32);
const INK: Colour = (0x1f, 0x1d, 0x1a, 1.0);
const INK2: Colour = (0x5a, 0x56, 0x4f, 1.0);
const LINE: Colour = (0x6b, 0x67, 0x5f, 1.0);
const EDGE: Colour = (0x84, 0x7f, 0x75, 1.0);
const BAND: Colour = (0xe7, 0xe3, 0xda, 1.0);
const HAIR: Colour = (0xdc, 0xd8, 0xcf, 1.0);

/// Filled, or drawn with a pen of some width and dashes. The page's light colours.
enum Look {
    Fill(Colour),
    Pen(Colour, f32, &'static [f32]),
}

const fn look(ink: Ink) -> Look {
    match ink {
        Ink::Band => Look::Fill(BAND),
        Ink::Gap => Look::Fill((255, 255, 255, 0.75)),
        Ink::Spread => Look::Fill((EDGE.0, EDGE.1, EDGE.2, 0.35)),
        Ink::Seen => Look::Fill(EDGE),
        Ink::Grid => Look::Pen(HAIR, 1.0, &[]),
        Ink::BandEdge | Ink::Tick | Ink::Axis | Ink::Moment | Ink::Planned => Look::Pen(EDGE, 1.0, &[]),
        Ink::Limit => Look::Pen(INK, 1.5, &[]),
        Ink::Now => Look::Pen(INK, 1.0, &[]),
        Ink::Solid => Look::Pen(INK, 2.0, &[]),
        Ink::Dashed => Look::Pen(LINE, 1.5, &[5.0, 3.0]),
        Ink::Dotted => Look::Pen(LINE, 1.5, &[1.0, 4.0]),
    }
}

fn colour((r, g, b, share): Colour) -> Paint<'static> {
    let mut paint = Paint { anti_alias: true, ..Paint::default() };
    paint.set_color_rgba8(r, g, b, (share * 255.0) as u8);
    paint
}

fn paint(on: &mut Pixmap, path: &Path, ink: Ink) {
    let fine = Transform::from_scale(FINE, FINE);
    match look(ink) {
        Look::Fill(with) => on.fill_path(path, &colour(with), FillRule::Winding, fine, None),
        Look::Pen(with, width, dash) => {
            let dash = if dash.is_empty() { None } else { StrokeDash::new(dash.to_vec(), 0.0) };
            let pen = Stroke { width, dash, line_join: LineJoin::Round, ..Stroke::default() };
            on.stroke_path(path, &colour(with), &pen, fine, None);
        }
    }
}

fn write(on: &mut Pixmap, letters: &Path, tone: Tone) {
    let fine = Transform::from_scale(FINE, FINE);
    if tone != Tone::Plain {
        let halo = Stroke { width: 4.0, line_join: LineJoin::Round, ..Stroke::default() };
        on.stroke_path(letters, &colour((255, 255, 255, 1.0)), &halo, fine, None);
    }
    let with = colour(if tone == Tone::BoldHalo { INK } else { INK2 });
    on.fill_path(letters, &with, FillRule::Winding, fine, None);
    if tone == Tone::BoldHalo {
        let bold = Stroke { width: 0.5, ..Stroke::default() };
        on.stroke_path(letters, &with, &bold, fine, None);
    }
}

/// SVG path data as [`Drawing`] has it. What is no such data ends the path.
fn path(d: &str) -> Option<Path> {
    let mut out = PathBuilder::new();
    let (mut x, mut y) = (0.0f32, 0.0f32);
    let mut rest = d;
    while let Some(letter) = rest.chars().next() {
        let (numbers, after) = numbers(rest.get(1..)?);
        match (letter, numbers.as_slice()) {
            ('M', [a, b]) => {
                (x, y) = (*a, *b);
                out.move_to(x, y);
            }
            ('L', [a, b]) => (x, y) = (*a, *b),
            ('H', [a]) => x = *a,
            ('V', [b]) => y = *b,
            ('h', [a]) => x += a,
            ('v', [b]) => y += b,
            ('z', []) => out.close(),
            _ => break,
        }
        if !matches!(letter, 'M' | 'z') {
            out.line_to(x, y);
        }
        rest = after;
    }
    out.finish()
}

/// The numbers up to the next letter, and the rest from there.
fn numbers(text: &str) -> (Vec<f32>, &str) {
    let end = text.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(text.len());
    let (here, rest) = text.split_at(end);
    (here.split(' ').filter(|n| !n.is_empty()).map_while(|n| n.parse().ok()).collect(), rest)
}

/// The outlines of a line of letters. A character that the font has not is a question mark.
fn words(face: &Face, text: &str, x: f32, y: f32, anchor: Anchor) -> Option<Path> {
    let scale = LETTERS / f32::from(face.units_per_em().max(1));
    let unknown = face.glyph_index('?');
    let glyphs: Vec<_> = text.chars().take(MOST_LETTERS).filter_map(|c| face.glyph_index(c).or(unknown)).collect();
    let wide = |glyph| f32::from(face.glyph_hor_advance(glyph).unwrap_or(0)) * scale;
    let whole: f32 = glyphs.iter().map(|g| wide(*g)).sum();
    let mut at = match anchor {
        Anchor::Start => x,
        Anchor::Middle => x - whole / 2.0,
        Anchor::End => x - whole,
    };
    let mut pen = Pen { out: PathBuilder::new(), at, y, scale };
    for glyph in glyphs {
        pen.at = at;
        face.outline_glyph(glyph, &mut pen);
        at += wide(glyph);
    }
    pen.out.finish()
}

/// Puts a glyph's outline where it belongs; the font's y grows upwards.
struct Pen {
    out: PathBuilder,
    at: f32,
    y: f32,
    scale: f32,
}

impl Pen {
    fn put(&self, x: f32, y: f32) -> (f32, f32) {
        (self.at + x * self.scale, self.y - y * self.scale)
    }
}

impl OutlineBuilder for Pen {
    fn move_to(&mut self, x: f32, y: f32) {
        let (x, y) = self.put(x, y);
        self.out.move_to(x, y);
    }
    fn line_to(&mut self, x: f32, y: f32) {
        let (x, y) = self.put(x, y);
        self.out.line_to(x, y);
    }
    fn quad_to(&mut self, a: f32, b: f32, x: f32, y: f32) {
        let ((a, b), (x, y)) = (self.put(a, b), self.put(x, y));
        self.out.quad_to(a, b, x, y);
    }
    fn curve_to(&mut self, a: f32, b: f32, c: f32, d: f32, x: f32, y: f32) {
        let ((a, b), (c, d), (x, y)) = (self.put(a, b), self.put(c, d), self.put(x, y));
        self.out.cubic_to(a, b, c, d, x, y);
    }
    fn close(&mut self) {
        self.out.close();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pixel(png: &[u8], x: u32, y: u32) -> (u8, u8, u8, u8) {
        let p = Pixmap::decode_png(png).unwrap().pixel(x, y).unwrap();
        (p.red(), p.green(), p.blue(), p.alpha())
    }

    #[test]
    fn what_is_drawn_is_there_and_all_else_is_opaque_white() {
        let mut d = Drawing { width: 100.0, height: 50.0, marks: Vec::new() };
        d.path(Ink::Seen, "M10 10h20v10h-20z".into());
        d.path(Ink::Solid, "M50 30L90.5 30".into());
        d.words(50.0, 48.0, Anchor::Middle, Tone::BoldHalo, "30–32 °C");
        let png = png(&d).unwrap();
        assert_eq!(pixel(&png, 40, 30), (0x84, 0x7f, 0x75, 255), "inside the block");
        assert_eq!(pixel(&png, 19, 30), (255, 255, 255, 255), "left of it");
        assert_eq!(pixel(&png, 120, 60), (0x1f, 0x1d, 0x1a, 255), "on the line");
        let map = Pixmap::decode_png(&png).unwrap();
        let dark = |p: &&tiny_skia::PremultipliedColorU8| p.red() < 60;
        assert!(map.pixels()[200 * 70..].iter().filter(dark).count() > 200, "letters");
        assert!(map.pixels().iter().all(|p| p.alpha() == 255));
    }

    #[test]
    fn nothing_breaks_it() {
        for d in ["", "M", "M1", "Mx y", "L1 2", "M1 2Q3 4", "M1 2h", "é", "M1e39 2L-1e39 3", "z"] {
            let mut drawing = Drawing { width: 20.0, height: 20.0, marks: Vec::new() };
            drawing.path(Ink::Dotted, d.into());
            drawing.words(f64::NAN, 1e300, Anchor::End, Tone::Halo, "東\n?");
            assert!(png(&drawing).is_some(), "{d}");
        }
        for size in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e9] {
            assert_eq!(png(&Drawing { width: size, height: 10.0, marks: Vec::new() }), None);
        }
    }
}
