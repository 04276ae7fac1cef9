//! Each kind of mail as it reads, kept in `snapshots/`.

use super::fixture::*;

#[test]
fn a_notice_is_one_line_in_the_order_of_the_formats() {
    let mut d = Day::new(14, settings(), "2026-03-03T14:00:00Z");
    d.stands(at("2026-03-03T14:10:35Z"), no_heat(2));
    d.until(at("2026-03-03T14:12:00Z"));
    assert_eq!(
        d.mails[0].json,
        concat!(
            r#"{"at":"2026-03-03T14:11:20.000Z","incident":"10","event":"raised","urgency":"now","cause":"heat-failed","#,
            r#""enclosures":["a3"],"place":"warm_side","since":"2026-03-03T14:02:00.000Z","#,
            r#""act_by":"2026-03-03T14:55:00.000Z","to":["ines"],"subject":"a3 Juno: no heat, 29.7 C and falling"}"#
        )
    );
}
