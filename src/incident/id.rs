//! Short ids that are never given twice: a counter in 32 characters.

/// Digits and letters that are not mistaken for one another, read aloud or in any typeface.
const ALPHABET: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";

pub fn name(mut n: u64) -> String {
    let mut digits = Vec::new();
    loop {
        digits.push(ALPHABET.get((n % 32) as usize).copied().unwrap_or(b'0') as char);
        n /= 32;
        if n == 0 {
            return digits.into_iter().rev().collect();
        }
    }
}

pub fn number(id: &str) -> Option<u64> {
    id.bytes().try_fold(0u64, |n, b| {
        let digit = ALPHABET.iter().position(|a| *a == b.to_ascii_uppercase())?;
        n.checked_mul(32)?.checked_add(digit as u64)
    })
}
