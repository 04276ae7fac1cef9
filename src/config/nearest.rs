//! The nearest known word to a mistyped one.

/// The known word that was probably meant; `None` where none is near.
pub fn nearest<'w>(word: &str, known: impl IntoIterator<Item = &'w str>) -> Option<&'w str> {
    const LONGEST: usize = 64; // nobody mistypes more than that, and the table below is quadratic
    if word.len() > LONGEST {
        return None;
    }
    let typed = plain(word);
    known
        .into_iter()
        .map(|k| (distance(&typed, &plain(k)), k))
        .filter(|(far, k)| {
            let length = word.chars().count().max(k.chars().count());
            *far < length && *far * 3 <= length.max(3)
        })
        .min_by_key(|(far, _)| *far)
        .map(|(_, k)| k)
}

/// Case and the sign between words are no difference worth counting.
fn plain(word: &str) -> Vec<char> {
    word.chars().flat_map(char::to_lowercase).map(|c| if c == '-' || c == ' ' { '_' } else { c }).collect()
}

/// Insertions, deletions, replacements and swaps of neighbours (the restricted Damerau-Levenshtein distance).
fn distance(a: &[char], b: &[char]) -> usize {
    let mut rows: [Vec<usize>; 3] = [vec![0; b.len() + 1], (0..=b.len()).collect(), vec![0; b.len() + 1]];
    for (i, ca) in a.iter().enumerate() {
        let [before, above, row] = &mut rows;
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let replaced = above[j] + usize::from(ca != cb);
            row[j + 1] = replaced.min(above[j + 1] + 1).min(row[j] + 1);
            if i > 0 && j > 0 && *ca == b[j - 1] && a[i - 1] == *cb {
                row[j + 1] = row[j + 1].min(before[j - 1] + 1);
            }
        }
        rows.rotate_left(1);
    }
    rows[1][b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slips_are_seen_through() {
        let known = ["wanted", "night", "never", "never_night", "judged", "topic", "enclosure", "id", "C"];
        let cases = [
            ("wnated", Some("wanted")),
            ("Never-Night", Some("never_night")),
            ("enclosrue", Some("enclosure")),
            ("topics", Some("topic")),
            ("nigth", Some("night")),
            ("di", Some("id")),
            ("K", None),
            ("banana", None),
            ("", None),
        ];
        for (typed, want) in cases {
            assert_eq!(nearest(typed, known), want, "{typed}");
        }
    }
}
