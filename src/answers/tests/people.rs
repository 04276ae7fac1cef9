//! Replies of people, in the shapes that common programs give them (from memory; addresses and words invented).

use super::*;

#[test]
fn answers_in_the_shapes_of_common_programs() {
    let quoted: String = OURS.lines().map(|l| format!("> {l}\n")).collect();
    let texts = [
        // A phone, the quote below.
        format!(
            "HAVE IT\n\nSent from my phone\n\n> On 3 Mar 2026, at 14:11, Warmside NOW <warmside@example.org> wrote:\n>\n{quoted}"
        ),
        // A webmail, the attribution wrapped.
        format!(
            "Have it, thanks!\n\nOn Tue, 3 Mar 2026 at 14:11, Warmside NOW\n<warmside@example.org> wrote:\n\n{quoted}"
        ),
        // A desk program that marks nothing.
        format!(
            "have it.\n\n________________________________\nFrom: Warmside NOW <warmside@example.org>\nSent: 03 March 2026 14:11\nTo: Ines\nSubject: a3\n\n{OURS}"
        ),
        format!("*HAVE IT*\n\n-----Original Message-----\nFrom: Warmside\n\n{OURS}"),
        format!("HAVE\u{a0}IT\n\n-----Urspr\u{fc}ngliche Nachricht-----\nVon: Warmside\n\n{OURS}"),
        // Below the quote.
        format!("On 3 March 2026 Warmside NOW <warmside@example.org> wrote:\n{quoted}\nHAVE IT\n\n-- \nInes\n"),
        "Hi,\n\nI have it - on my way up.\n\nInes\n".to_owned(),
        "  have   it\n".to_owned(),
        "\u{201c}HAVE IT\u{201d}".to_owned(),
    ];
    for text in &texts {
        assert_eq!(judge(&reply(PLAIN, text)), answer(), "{text}");
    }
}

#[test]
fn html_and_encodings() {
    let alternative = "Content-Type: multipart/alternative; boundary=b\n";
    let both = "--b\nContent-Type: text/plain; charset=utf-8\nContent-Transfer-Encoding: base64\n\nSEFWRSBJVA==\n\
                --b\nContent-Type: text/html; charset=utf-8\n\n<p>HAVE IT</p>\n--b--\n";
    assert_eq!(judge(&reply(alternative, both)), answer());
    let html = "Content-Type: text/html; charset=utf-8\n";
    for text in [
        "<div dir=\"auto\">HAVE IT</div><br><div class=\"gmail_quote\"><div>On Tue wrote:</div><blockquote>x</blockquote></div>",
        "<html><head><style>p{color:red}</style></head><body><p>Have it,<br>Ines</p><div id=\"divRplyFwdMsg\"><b>From:</b> Warmside</div></body></html>",
        "<div>Hi</div><div><span>I have it</span></div><hr><p>a3 Juno</p>",
    ] {
        assert_eq!(judge(&reply(html, text)), answer(), "{text}");
    }
    let printable = format!("{PLAIN}Content-Transfer-Encoding: quoted-printable\n");
    assert_eq!(judge(&reply(&printable, "HAVE=20IT=\n\n\n=3E quoted\n")), answer());
    // By References alone, where a program drops In-Reply-To; the address in another case.
    let by_references = reply(PLAIN, "HAVE IT\n")
        .replace("In-Reply-To:", "References: <x@y>")
        .replace("<ines@example.org>\nTo", "<Ines@Example.org>\nTo");
    assert_eq!(judge(&by_references), answer());
}

#[test]
fn what_is_no_answer_in_its_own_text() {
    let quoted: String = OURS.lines().map(|l| format!("> {l}\n")).collect();
    let texts = [
        String::new(),
        "I don't have it, who does?\n".to_owned(),
        "Have it? No.\n".to_owned(),
        "have it not\n".to_owned(),
        "You have it.\n".to_owned(),
        "Tom will have it.\n".to_owned(),
        quoted.clone(),
        "> HAVE IT\n".to_owned(),
        OURS.to_owned(),
        format!("Is this real?\n\nFrom: Warmside <warmside@example.org>\n\n{OURS}HAVE IT\n"),
        format!("Is this real?\n\n-----Original Message-----\nHAVE IT\n\n{OURS}"),
        "Hm.\nInes\n-- \nHAVE IT is my motto\nHAVE IT\n".to_owned(),
        // The tail of a quoted line that was wrapped.
        format!("{quoted}> ANSWER: Reply\nHAVE IT, or open the page and press the button.\n"),
        "one\ntwo\nthree\nfour\nfive\nHAVE IT\n".to_owned(),
    ];
    for text in &texts {
        assert!(why(judge(&reply(PLAIN, text))).starts_with("HAVE IT does not stand"), "{text}");
    }
    let html = "Content-Type: text/html; charset=utf-8\n";
    for text in [
        "<p>Who?</p><blockquote><p>HAVE IT</p></blockquote>",
        "<p>Who?</p><div class=\"gmail_quote\"><p>HAVE IT</p></div>",
        "<p>Who?</p><hr><p>HAVE IT</p>",
        "<!-- <p>HAVE IT</p> --><p>Who?</p>",
    ] {
        assert!(why(judge(&reply(html, text))).starts_with("HAVE IT does not stand"), "{text}");
    }
}

#[test]
fn strangers_and_forgeries() {
    let good = reply(PLAIN, "HAVE IT\n");
    assert_eq!(judge(&good), answer());
    let stranger = good.replace("From: Ines <ines@example.org>", "From: Ines <eve@example.net>");
    assert_eq!(why(judge(&stranger)), "its author is no keeper");
    let named = good.replace("From: Ines <ines@example.org>", "From: \"ines@example.org\" <eve@example.net>");
    assert_eq!(why(judge(&named)), "its author is no keeper");
    let two = good.replace("From: Ines <ines@example.org>", "From: ines@example.org, eve@example.net");
    assert_eq!(why(judge(&two)), "it has not exactly one author");
    let disowned =
        reply(&format!("Authentication-Results: mx.example.org; spf=fail; dmarc=fail\n{PLAIN}"), "HAVE IT\n");
    assert!(why(judge(&disowned)).contains("forged"));
    // An id that was guessed, of another store, or none: not ours at all.
    let guessed = good.replace(&alarm(), "<7Q.1.aaaaaaaaaaaaa@example.org>");
    assert_eq!(judge(&guessed), Verdict::NotOurs);
    let other = Seal::new("ffffffffffffffffffffffffffffffff").message_id("7Q.1", "example.org");
    assert_eq!(judge(&good.replace(&alarm(), &other)), Verdict::NotOurs);
    assert_eq!(judge(&good.replace(&format!("In-Reply-To: {}\n", alarm()), "")), Verdict::NotOurs);
    for rubbish in ["", "\0\0\0", "From:", "In-Reply-To: <<<>>>\n\n", &"a:\n".repeat(5_000)] {
        assert_eq!(judge(rubbish), Verdict::NotOurs);
    }
}
