//! Readings and summaries as packed bytes: differences of differences, small numbers first. Pure; no bytes panic.
//!
//! A chunk holds one probe's hour. Per reading one varint carries both the change of the interval (zigzag) and, in its
//! lowest three bits, a value step of -3 to 3 resolutions; a larger step follows as a varint of its own. A steady probe
//! thus takes 1 byte, one with a second of jitter 2. The resolution is the greatest common divisor of the hour's steps,
//! so a sensor of 0.1 degrees pays for 1 and not for 100.

/// Time in ms, value in thousandths.
pub type Point = (i64, i64);

/// Length of a chunk, ms.
pub const HOUR_MS: i64 = 3_600_000;
/// Length of a summary, ms.
pub const SUMMARY_MS: i64 = 600_000;
/// Length of a packed run of summaries, ms.
pub const DAY_MS: i64 = 86_400_000;

/// First byte of either form; another one is not ours to read.
const FORM: u8 = 1;
/// The code that says: the value step follows.
const ESCAPE: u64 = 7;

/// Minimum, mean, maximum and number of readings in one tenth minute of a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Packed {
    /// Which ten minutes of the day, 0 to 143.
    pub slot: u8,
    pub n: u32,
    pub min: i64,
    pub mean: i64,
    pub max: i64,
}

const fn zigzag(n: i64) -> u64 {
    ((n << 1) ^ (n >> 63)) as u64
}

const fn unzigzag(u: u64) -> i64 {
    ((u >> 1) as i64) ^ -((u & 1) as i64)
}

fn put(out: &mut Vec<u8>, mut u: u64) {
    while u >= 0x80 {
        out.push(u as u8 | 0x80);
        u >>= 7;
    }
    out.push(u as u8);
}

/// Takes varints off the front of a slice.
struct Bytes<'a>(&'a [u8]);

impl Bytes<'_> {
    fn byte(&mut self) -> Option<u8> {
        let (first, rest) = self.0.split_first()?;
        self.0 = rest;
        Some(*first)
    }

    fn varint(&mut self) -> Option<u64> {
        let mut u = 0u64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            u |= u64::from(byte & 0x7f) << shift;
            if byte < 0x80 {
                return Some(u);
            }
        }
        None
    }

    fn signed(&mut self) -> Option<i64> {
        self.varint().map(unzigzag)
    }
}

fn gcd(a: u64, b: u64) -> u64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// Packs points in order of time that lie within an hour of `base`.
pub fn pack(base: i64, points: &[Point]) -> Vec<u8> {
    let mut out = vec![FORM];
    put(&mut out, points.len() as u64);
    let Some(&(mut t, mut v)) = points.first() else { return out };
    let steps = points.windows(2).map(|w| w[1].1.wrapping_sub(w[0].1).unsigned_abs());
    let grain = steps.fold(0, gcd).clamp(1, i64::MAX as u64);
    put(&mut out, zigzag(t.wrapping_sub(base)));
    put(&mut out, zigzag(v));
    put(&mut out, grain);
    let mut interval = 0i64;
    for &(next_t, next_v) in &points[1..] {
        let next_interval = next_t.wrapping_sub(t);
        let step = next_v.wrapping_sub(v) / grain as i64;
        let code = if (-3..=3).contains(&step) { (step + 3) as u64 } else { ESCAPE };
        // Bounded by the caller: points lie within an hour, so the shift loses nothing.
        put(&mut out, zigzag(next_interval.wrapping_sub(interval)) << 3 | code);
        if code == ESCAPE {
            put(&mut out, zigzag(step));
        }
        (t, v, interval) = (next_t, next_v, next_interval);
    }
    out
}

/// The reverse of [`pack`]; `None` for bytes that it cannot have made.
pub fn unpack(base: i64, bytes: &[u8]) -> Option<Vec<Point>> {
    let mut bytes = Bytes(bytes);
    if bytes.byte()? != FORM {
        return None;
    }
    let count = usize::try_from(bytes.varint()?).ok()?;
    if count == 0 {
        return Some(Vec::new());
    }
    // Each reading takes a byte at least: a damaged count cannot make us reserve the moon.
    if count > bytes.0.len() + 1 {
        return None;
    }
    let mut t = base.wrapping_add(bytes.signed()?);
    let mut v = bytes.signed()?;
    let grain = bytes.varint()? as i64;
    let mut points = Vec::with_capacity(count);
    points.push((t, v));
    let mut interval = 0i64;
    for _ in 1..count {
        let token = bytes.varint()?;
        interval = interval.wrapping_add(unzigzag(token >> 3));
        let step = match token & 7 {
            ESCAPE => bytes.signed()?,
            code => code as i64 - 3,
        };
        t = t.wrapping_add(interval);
        v = v.wrapping_add(step.wrapping_mul(grain));
        points.push((t, v));
    }
    bytes.0.is_empty().then_some(points)
}

/// Packs one day's summaries in order of slot.
pub fn pack_summaries(day: &[Packed]) -> Vec<u8> {
    let mut out = vec![FORM];
    put(&mut out, day.len() as u64);
    let (mut slot, mut n, mut mean) = (0i64, 0i64, 0i64);
    for s in day {
        put(&mut out, zigzag(i64::from(s.slot) - slot - 1));
        put(&mut out, zigzag(i64::from(s.n) - n));
        put(&mut out, zigzag(s.mean.wrapping_sub(mean)));
        put(&mut out, zigzag(s.mean.wrapping_sub(s.min)));
        put(&mut out, zigzag(s.max.wrapping_sub(s.mean)));
        (slot, n, mean) = (i64::from(s.slot), i64::from(s.n), s.mean);
    }
    out
}

/// The reverse of [`pack_summaries`].
pub fn unpack_summaries(bytes: &[u8]) -> Option<Vec<Packed>> {
    let mut bytes = Bytes(bytes);
    if bytes.byte()? != FORM {
        return None;
    }
    let count = bytes.varint()?;
    if count > 144 {
        return None;
    }
    let mut day = Vec::with_capacity(count as usize);
    let (mut slot, mut n, mut mean) = (0i64, 0i64, 0i64);
    for _ in 0..count {
        slot = slot.wrapping_add(bytes.signed()?).wrapping_add(1);
        n = n.wrapping_add(bytes.signed()?);
        mean = mean.wrapping_add(bytes.signed()?);
        let min = mean.wrapping_sub(bytes.signed()?);
        let max = mean.wrapping_add(bytes.signed()?);
        let slot = u8::try_from(slot).ok().filter(|s| *s < 144)?;
        day.push(Packed { slot, n: u32::try_from(n).ok()?, min, mean, max });
    }
    bytes.0.is_empty().then_some(day)
}

/// The summaries of points of one day (`start`: its first ms), in order of slot; points need not be in order.
pub fn summarize(start: i64, points: &[Point]) -> Vec<Packed> {
    let mut slots = std::collections::BTreeMap::<u8, (u32, i64, i128, i64)>::new();
    for &(t, v) in points {
        let slot = ((t - start).clamp(0, DAY_MS - 1) / SUMMARY_MS) as u8;
        let s = slots.entry(slot).or_insert((0, v, 0, v));
        *s = (s.0.saturating_add(1), s.1.min(v), s.2 + i128::from(v), s.3.max(v));
    }
    slots
        .into_iter()
        .map(|(slot, (n, min, sum, max))| Packed { slot, n, min, mean: (sum / i128::from(n.max(1))) as i64, max })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_steady_probe_takes_a_byte_a_reading() {
        let points: Vec<Point> = (0..360).map(|i| (i * 10_000, 28_000 + (i % 3) * 100)).collect();
        let packed = pack(0, &points);
        assert_eq!(unpack(0, &packed).as_deref(), Some(&points[..]));
        assert!(packed.len() <= 372, "{} bytes", packed.len());
    }

    #[test]
    fn slots_of_a_day() {
        let day = summarize(0, &[(0, 1_000), (599_999, 3_000), (600_000, 5_000), (DAY_MS - 1, -7_000)]);
        assert_eq!(
            day.iter().map(|s| (s.slot, s.n, s.min, s.mean, s.max)).collect::<Vec<_>>(),
            [(0, 2, 1_000, 2_000, 3_000), (1, 1, 5_000, 5_000, 5_000), (143, 1, -7_000, -7_000, -7_000)]
        );
        assert_eq!(unpack_summaries(&pack_summaries(&day)), Some(day));
    }

    proptest! {
        #[test]
        fn every_hour_comes_back(
            base in -4_000_000_000_000i64..4_000_000_000_000,
            mut points in prop::collection::vec((0i64..HOUR_MS, -(1i64 << 60)..(1i64 << 60)), 0..200),
        ) {
            points.iter_mut().for_each(|p| p.0 += base);
            points.sort_unstable();
            prop_assert_eq!(unpack(base, &pack(base, &points)), Some(points));
        }

        #[test]
        fn no_bytes_panic(bytes in prop::collection::vec(any::<u8>(), 0..200), base: i64) {
            let mut bytes = bytes;
            if let Some(first) = bytes.first_mut() { *first = FORM; }
            let _ = unpack(base, &bytes);
            let _ = unpack_summaries(&bytes);
        }
    }
}
