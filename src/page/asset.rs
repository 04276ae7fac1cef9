//! The three files that pages refer to, under addresses that change when they do, so that browsers may keep them.

/// FNV-1a, 32 bits: enough to tell two versions of one file apart.
const fn version(bytes: &[u8]) -> u32 {
    let mut hash: u32 = 0x811c_9dc5;
    let mut i = 0;
    while i < bytes.len() {
        hash = (hash ^ bytes[i] as u32).wrapping_mul(0x0100_0193);
        i += 1;
    }
    hash
}

pub const STYLE_TEXT: &str = include_str!("style.css");
pub const SCRIPT_TEXT: &str = include_str!("live.js");
pub const ICON_TEXT: &str = include_str!("icon.svg");

const STYLE_BYTES: [u8; 8] = hex(version(STYLE_TEXT.as_bytes()));
const SCRIPT_BYTES: [u8; 8] = hex(version(SCRIPT_TEXT.as_bytes()));

const fn hex(n: u32) -> [u8; 8] {
    let digits = b"0123456789abcdef";
    let mut out = [0; 8];
    let mut i = 0;
    while i < 8 {
        out[i] = digits[(n >> (28 - 4 * i) & 15) as usize];
        i += 1;
    }
    out
}

/// An address with its version.
#[derive(Clone, Copy)]
pub struct Address(&'static str, &'static [u8; 8]);

pub const STYLE: Address = Address("/style.css?v=", &STYLE_BYTES);
pub const SCRIPT: Address = Address("/live.js?v=", &SCRIPT_BYTES);

impl maud::Render for Address {
    fn render_to(&self, out: &mut String) {
        out.push_str(self.0);
        out.extend(self.1.iter().map(|b| *b as char));
    }
}
