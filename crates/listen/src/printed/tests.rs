//! How printed bytes become lines and prints.

use proptest::prelude::*;

use super::{Assembler, Commands, Controls, MAX_LINE, MAX_LINES, Noise, PrintRules, Printer};
use crate::SECOND;
use crate::ear::{Ending, Transmission};

fn rules() -> PrintRules {
    PrintRules { blank_lines: 1, ends: controls(&[0x0C]), flow: true, ..PrintRules::default() }
}

fn controls(bytes: &[u8]) -> Controls {
    let mut set = Controls::default();
    bytes.iter().for_each(|byte| set.insert(*byte));
    set
}

/// Begun by its first line.
fn clinic() -> PrintRules {
    PrintRules { openers: vec![b"CLINIC".to_vec()], ..rules() }
}

fn prints(assembler: &mut Assembler) -> Vec<Transmission> {
    std::iter::from_fn(|| assembler.poll_transmission()).collect()
}

/// The lines of each print, and whether it was complete.
fn said(prints: &[Transmission]) -> Vec<(String, bool)> {
    let line = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    prints
        .iter()
        .map(|print| {
            let lines: Vec<String> = print.lines.iter().map(|cut| line(&cut.bytes)).collect();
            (lines.join("/"), print.ending == Ending::Complete)
        })
        .collect()
}

fn heard(bytes: &[u8]) -> Vec<(String, bool)> {
    heard_by(rules(), bytes)
}

fn heard_by(rules: PrintRules, bytes: &[u8]) -> Vec<(String, bool)> {
    let mut assembler = Assembler::new(rules);
    assembler.handle_input(0, bytes, 0, &[]);
    assembler.handle_timeout(3 * SECOND);
    assert!(assembler.poll_timeout().is_none());
    let prints = prints(&mut assembler);
    assert!(assembler.is_idle());
    said(&prints)
}

fn complete(lines: &str) -> Vec<(String, bool)> {
    vec![(lines.to_owned(), true)]
}

#[test]
fn every_kind_of_line_end_ends_a_line_once() {
    for end in ["\r", "\n", "\r\n", "\n\r"] {
        let text = ["GLU NEG", "PH 6.0", "", ""].join(end);
        assert_eq!(heard(text.as_bytes()), complete("GLU NEG/PH 6.0"), "{end:?}");
    }
}

/// `No. 1`, a spoiled byte, `2` is not number 12.
#[test]
fn a_nul_is_padding_around_a_line_and_a_flaw_inside_it() {
    assert_eq!(heard(b"\0\0GLU NEG\0\0\r\n\0\0PH 6.0\r\0\0\n\r\n"), complete("GLU NEG/PH 6.0"));
    let mut assembler = Assembler::new(rules());
    assembler.handle_input(0, b"No. 1\x002\r\nPH 6.0\r\n\r\n", 0, &[]);
    let prints = prints(&mut assembler);
    let flawed: Vec<bool> = prints[0].lines.iter().map(|cut| cut.flawed).collect();
    assert_eq!(flawed, [true, false]);
    assert_eq!(prints[0].lines[0].bytes, b"No. 1\x002");
}

#[test]
fn overprint_after_a_lone_cr_is_one_line() {
    assert_eq!(heard(b"GLU 2+\rGLU 2+\r\nPH 6.0\r\n\r\n"), complete("GLU 2+/PH 6.0"));
    let twice = heard_by(clinic(), b"CLINIC\rCLINIC\r\nPH 6.0\r\n");
    assert_eq!(twice, complete("CLINIC/PH 6.0"));
    // After a full line end it is a second line, whatever it says.
    assert_eq!(heard(b"GLU 2+\r\nGLU 2+\r\n\r\n"), complete("GLU 2+/GLU 2+"));
}

#[test]
fn padding_and_flow_control_are_left_out() {
    assert_eq!(heard(b"GLU\r\0\0\n\x11PH\x13 6\n\n"), complete("GLU/PH 6"));
}

#[test]
fn blank_lines_form_feed_openers_and_silence_end_a_print() {
    let two = vec![("A".to_owned(), true), ("B".to_owned(), true)];
    assert_eq!(heard(b"\n\nA\n \t\nB\n\n"), two);
    assert_eq!(heard(b"A\n\x0cB\n"), two);
    assert_eq!(heard(b"A\x0cB\n\x0c\x0c"), two);
    let opened = heard_by(clinic(), b"A\n CLINIC x\nB\nCLINIC\n");
    let what_came_before = ("A".to_owned(), false);
    let rest = [(" CLINIC x/B".to_owned(), true), ("CLINIC".to_owned(), true)];
    assert_eq!(opened[0], what_came_before, "its beginning was not heard");
    assert_eq!(opened[1..], rest);
    let mut patient = Assembler::new(PrintRules { blank_lines: 3, ..rules() });
    patient.handle_input(0, b"A\n\n\nB\n\n\n", 0, &[]);
    assert_eq!(prints(&mut patient), []);
    patient.handle_input(1, b"\n", 9, &[]);
    assert_eq!(said(&prints(&mut patient)), complete("A/B"));
}

#[test]
fn control_characters_and_a_last_line_begin_and_end_a_print() {
    let rules = PrintRules {
        begins: controls(&[0x02]),
        ends: controls(&[0x03]),
        must_end: true,
        ..PrintRules::default()
    };
    let heard = |bytes: &[u8]| heard_by(rules.clone(), bytes);
    assert_eq!(heard(b"\x02\r\n\r\nA\r\nB\x03\r\n\x02C\x03"), {
        vec![("A/B".to_owned(), true), ("C".to_owned(), true)]
    });
    let cut = |text: &str| (text.to_owned(), false);
    assert_eq!(heard(b"A\n\x03"), [cut("A")], "no beginning");
    assert_eq!(heard(b"\x02A\n"), [cut("A")], "no end");
    assert_eq!(heard(b"\x02A\n\x02B\x03"), [cut("A"), ("B".to_owned(), true)]);
    assert_eq!(heard(b"\x02"), []);
    let last =
        PrintRules { closers: vec![b"END".to_vec()], must_end: true, ..PrintRules::default() };
    assert_eq!(heard_by(last.clone(), b"A\nEND 1"), [cut("A/END 1")], "it may have been END 12");
    let two = heard_by(last, b"A\n END 1\nB\n");
    assert_eq!(two, [("A/ END 1".to_owned(), true), cut("B")]);
}

#[test]
fn printer_commands_are_not_text() {
    let ecma = PrintRules { printer: Printer::Ecma48 { eight_bits: true }, ..rules() };
    for (bytes, text) in [
        (&b"\x1b[1mGLU\x1b[0;31m 2+\x1b(B\x07\n"[..], "GLU 2+"),
        (b"\x1b]0;title\x07A\x1bPxyz\x1b\\B\x9b2JC\n", "ABC"),
        (b"\x1b#8A\x1bcB\n", "AB"),
        (b"A\x1b[3\nB\n", "A\x1b[3/B"),
        (b"A\x1b\n", "A\x1b"),
    ] {
        assert_eq!(heard_by(ecma.clone(), bytes), complete(text), "{text}");
    }
    let led = vec![(0x1B, b'@', 0), (0x1B, b'd', 1), (0x1B, b'*', 3), (0x1D, b'V', 1)];
    let commands = Commands { led, alone: controls(&[0x0E, 0x0F]) };
    let esc = PrintRules { printer: Printer::Commands(commands), ..rules() };
    for (bytes, text) in [
        (&b"\x1b@GLU\x1bd5 2+\x0e\x0f\n"[..], "GLU 2+"),
        (b"A\x1bd\nB\x1b*\r\n\x00C\x1dV\x00\n", "ABC"),
        (b"A\x1bq5\n", "A\x1bq5"),
        (b"A\x1d\x1b@\n", "A\x1d"),
        (b"A\x1b\nB\n", "A\x1b/B"),
    ] {
        assert_eq!(heard_by(esc.clone(), bytes), complete(text), "{text}");
    }
    let open = heard_by(esc, b"A\n\x1b*1");
    assert_eq!(open, [("A/\x1b*1".to_owned(), false)], "a sequence without its end is text");
}

#[test]
fn a_lone_cr_goes_back_over_the_line_where_the_dialect_says_so() {
    let over = PrintRules { overprint: true, ..rules() };
    let heard = |bytes: &[u8]| heard_by(over.clone(), bytes);
    assert_eq!(heard(b"GLU 2+\r     *\r\nPH 6\n\r\n"), complete("GLU 2+\r     */PH 6"));
    assert_eq!(heard(b"A\r\r\nB\n\n"), complete("A/B"));
    assert_eq!(heard(b"A\r"), complete("A"));
    assert_eq!(heard(b"\r\rA\r\n\r\nB\r\n"), [complete("A"), complete("B")].concat());
}

/// Records that nothing ends: only how many bytes came tells where one is over.
#[test]
fn lines_of_a_fixed_length_need_no_end() {
    let four = PrintRules { length: 4, ..PrintRules::default() };
    let heard = |bytes: &[u8]| heard_by(four.clone(), bytes);
    assert_eq!(heard(b"GLU1NIT0"), complete("GLU1/NIT0"));
    let cut = |text: &str| vec![(text.to_owned(), false)];
    assert_eq!(heard(b"GLU1NIT"), cut("GLU1/NIT"), "the rest is no whole line");
    assert_eq!(heard(b"GLU1  "), cut("GLU1"), "blanks may have been the beginning of one");
    assert_eq!(heard(b"GLU1    NIT0"), complete("GLU1/NIT0"), "a record of blanks says nothing");
    // A line end is a byte like the others, and the dialect holds what has one.
    assert_eq!(heard(b"GLU\rNIT\n"), complete("GLU\r/NIT\n"));
    assert_eq!(heard(b"GLU1\r\n"), cut("GLU1/\r\n"));
    let framed = PrintRules {
        begins: controls(&[0x02]),
        ends: controls(&[0x03]),
        must_end: true,
        ..four.clone()
    };
    assert_eq!(heard_by(framed.clone(), b"\x02GLU1NIT0\x03"), complete("GLU1/NIT0"));
    assert_eq!(heard_by(framed, b"\x02GLU1NIT\x03"), cut("GLU1/NIT"));
    // A byte that was lost moves all that follow: the last line lacks one.
    assert_eq!(heard(b"GL1NIT0"), cut("GL1N/IT0"));
    let mut assembler = Assembler::new(four);
    assembler.handle_input(0, b"GLU", 0, &[]);
    assert!(!assembler.is_idle());
    assembler.handle_input(1, b"\xff", 3, &[0]);
    assembler.handle_timeout(4 * SECOND);
    let print = &prints(&mut assembler)[0];
    assert!(print.lines[0].flawed && print.ending == Ending::Complete);
    assert_eq!((print.place.from, print.place.to), (0, 4));
}

/// Reading the tape begins where nothing is pending: not behind a report's first byte, nor inside a
/// sequence.
#[test]
fn a_begun_report_and_an_open_sequence_are_under_way() {
    for (printer, begins, bytes) in [
        (Printer::Ecma48 { eight_bits: false }, Controls::default(), &b"\x1b["[..]),
        (Printer::None, controls(&[0x02]), b"\x02\r\n"),
    ] {
        let mut assembler = Assembler::new(PrintRules { printer, begins, ..rules() });
        assembler.handle_input(0, bytes, 0, &[]);
        assert!(!assembler.is_idle() && assembler.poll_timeout() == Some(3 * SECOND));
        assembler.handle_timeout(3 * SECOND);
        drop(prints(&mut assembler));
        assert!(assembler.is_idle() && assembler.poll_timeout().is_none());
    }
}

#[test]
fn the_parity_bit_is_no_text_where_bytes_have_seven_bits() {
    let seven = PrintRules { mask: 0x7F, ..rules() };
    let even = |byte: &u8| if byte.count_ones() % 2 == 1 { byte | 0x80 } else { *byte };
    let bytes: Vec<u8> = b"GLU 2+\r\n\x7fPH\x7f\r\n".iter().map(even).collect();
    assert_eq!(heard_by(seven, &bytes), complete("GLU 2+/PH"));
    let strict = PrintRules { flow: false, ..rules() };
    assert_eq!(heard_by(strict, b"A\x11\n"), complete("A\x11"), "no flow control was told of");
}

#[test]
fn silence_is_counted_from_the_last_byte_and_a_broken_line_is_told() {
    let mut assembler = Assembler::new(rules());
    assembler.handle_input(SECOND, b"GLU NEG\nPH ", 0, &[]);
    assembler.handle_input(2 * SECOND, b"6.", 11, &[]);
    assert_eq!(assembler.poll_timeout(), Some(5 * SECOND));
    assembler.handle_timeout(5 * SECOND - 1);
    assert!(!assembler.is_idle() && prints(&mut assembler).is_empty());
    assembler.handle_timeout(5 * SECOND);
    let heard = prints(&mut assembler);
    assert_eq!(said(&heard), [("GLU NEG/PH 6.".to_owned(), false)]);
    assert_eq!((heard[0].place.from, heard[0].place.to), (0, 13));
}

#[test]
fn a_hang_up_and_lost_bytes_cut() {
    let mut assembler = Assembler::new(rules());
    assembler.handle_input(0, b"A\n", 0, &[]);
    assembler.handle_gap(1);
    assembler.handle_input(2, b"B\nC", 9, &[]);
    assembler.handle_closed(3);
    assembler.handle_closed(4);
    assert_eq!(said(&prints(&mut assembler)), [("A".to_owned(), false), ("B/C".to_owned(), false)]);
}

#[test]
fn marked_bytes_mark_their_line_only() {
    let mut assembler = Assembler::new(rules());
    assembler.handle_input(0, b"A\nB\0\nC\n\n", 0, &[3]);
    let heard = prints(&mut assembler);
    let flawed: Vec<bool> = heard[0].lines.iter().map(|line| line.flawed).collect();
    assert_eq!(flawed, [false, true, false]);
    assert_eq!(heard[0].lines[1].bytes, b"B\0", "a break is no padding");
    // A marked line end may be any byte: it ends nothing.
    assembler.handle_input(0, b"A\nB\n\n", 9, &[1]);
    assert_eq!(prints(&mut assembler)[0].lines.len(), 1);
}

#[test]
fn what_is_too_long_is_counted_and_told() {
    let mut long = vec![b'x'; MAX_LINE + 5];
    long.extend(b"\n\n");
    let mut assembler = Assembler::new(rules());
    assembler.handle_input(0, &long, 0, &[]);
    let heard = prints(&mut assembler);
    assert!(heard[0].lines[0].flawed && heard[0].lines[0].bytes.len() == MAX_LINE);
    let Ending::Cut(why) = &heard[0].ending else { panic!("complete") };
    assert!(why.contains("5 bytes"), "{why}");
    let mut many = b"GLU NEG\n".repeat(MAX_LINES + 3);
    many.push(b'\n');
    assembler.handle_input(1, &many, 0, &[]);
    let heard = prints(&mut assembler);
    assert_eq!(heard[0].lines.len(), MAX_LINES);
    let Ending::Cut(why) = &heard[0].ending else { panic!("complete") };
    assert!(why.contains("3 lines"), "{why}");
}

/// What a plug makes shortly before a strip is printed. The print is read by its first line, so one that lost its first
/// byte to the line is none.
#[test]
fn after_a_pause_noise_is_over_and_the_print_behind_it_stands_alone() {
    let report = b"CLINIC\r\nGLU NEG\r\n\r\n";
    let after = |rules: PrintRules, noise: &[u8], pause: crate::Tick, report: &[u8]| {
        let mut assembler = Assembler::new(rules);
        assembler.handle_input(SECOND, noise, 0, &[]);
        assembler.handle_input(SECOND + pause, report, noise.len() as u64, &[]);
        (said(&prints(&mut assembler)), assembler.take_noise())
    };
    let one = Noise { bursts: 1, bytes: 1 };
    for pause in [300_000, SECOND, 2 * SECOND, 2_999_999] {
        assert_eq!(after(clinic(), b"\xfe", pause, report), (complete("CLINIC/GLU NEG"), one));
    }
    assert_eq!(after(clinic(), b"\xfe\r\n\xff", SECOND, report).1, Noise { bursts: 1, bytes: 2 });
    let cut = |text: &str| (vec![(text.to_owned(), false)], Noise::default());
    assert_eq!(after(clinic(), b"\xfe", 299_999, report), cut("\u{fffd}CLINIC/GLU NEG"));
    // What can be read may be of a print, however long it took.
    assert_eq!(after(clinic(), b"\xfe1", 2 * SECOND, report), cut("\u{fffd}1CLINIC/GLU NEG"));
    // A print whose first byte was spoiled, and paused behind it.
    let spoiled = after(clinic(), b"\xc3", SECOND, b"LINIC\r\nGLU NEG\r\n\r\n");
    assert_eq!(spoiled, (vec![("LINIC/GLU NEG".to_owned(), false)], one));
    // Nothing says how a print begins here: only the silence parts `12` from a spoiled 1 and a 2.
    let plain = after(rules(), b"\xb1", 2 * SECOND, b"2 GLU\r\n\r\n");
    assert_eq!(plain, (complete("\u{fffd}2 GLU"), Noise::default()));
    // A command that a printer obeys is not over where it pauses.
    let printer = Printer::Ecma48 { eight_bits: false };
    let slow =
        after(PrintRules { printer, ..clinic() }, b"\x1b", SECOND, b"[1mCLINIC\r\nA\r\n\r\n");
    assert_eq!(slow, (complete("CLINIC/A"), Noise::default()));
}

/// Rules of every kind, one on top of the other.
fn all_rules() -> impl Strategy<Value = PrintRules> {
    let led = vec![(0x1B, b'@', 0), (0x1B, b'd', 1), (0x1D, b'V', 2)];
    let commands = Printer::Commands(Commands { led, alone: controls(&[0x0E]) });
    let printers = vec![Printer::None, Printer::Ecma48 { eight_bits: false }, commands];
    let flags = (any::<bool>(), any::<bool>(), any::<bool>(), any::<bool>());
    let lengths = prop::sample::select(vec![0, 0, 1, 5]);
    (flags, prop::sample::select(printers), lengths).prop_map(|((a, b, c, d), printer, length)| {
        PrintRules {
            length,
            overprint: a,
            begins: if b { controls(&[0x02]) } else { Controls::default() },
            must_end: c,
            printer,
            ..if d { clinic() } else { rules() }
        }
    })
}

fn noise() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        3 => "[A-Z0-9 +]{1,6}".prop_map(String::into_bytes),
        3 => prop::sample::select(vec![
            "\r", "\n", "\r\n", "\n\r", "\x0c", "\0", "CLINIC", "\x02", "\x1b", "\x1b[1m", "\x1bd", "\x1dV",
        ])
            .prop_map(|text| text.as_bytes().to_vec()),
        1 => prop::collection::vec(any::<u8>(), 0..4),
        1 => prop::collection::vec(0x80_u8.., 1..3),
    ];
    prop::collection::vec(piece, 0..20).prop_map(|pieces| pieces.concat())
}

/// Below, at and above what ends noise and what ends a print.
fn pause() -> impl Strategy<Value = crate::Tick> {
    prop_oneof![
        prop::sample::select(vec![0, 299_999, 300_000, SECOND, 3 * SECOND - 1, 3 * SECOND]),
        0..5 * SECOND,
    ]
}

/// What cannot be read, in no code page and in no UTF-8.
fn plug() -> impl Strategy<Value = Vec<u8>> {
    prop::collection::vec(0xF8_u8.., 1..5)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn any_cut_gives_the_same_prints(
        rules in all_rules(),
        bytes in noise(),
        size in 1_usize..7,
        mark in 0_usize..40,
    ) {
        let run = |size: usize| {
            let mut assembler = Assembler::new(rules.clone());
            let mut at = 0;
            for piece in bytes.chunks(size) {
                let flaw = mark.checked_sub(at).filter(|flaw| *flaw < piece.len());
                assembler.handle_input(5, piece, at as u64, flaw.as_slice());
                at += piece.len();
            }
            assembler.handle_timeout(10 * SECOND);
            assert!(assembler.poll_timeout().is_none());
            prints(&mut assembler)
        };
        prop_assert_eq!(run(bytes.len().max(1)), run(size));
    }

    #[test]
    fn late_timeouts_change_nothing(
        rules in all_rules(),
        reads in prop::collection::vec((pause(), prop_oneof![2 => noise(), 1 => plug()]), 0..8),
    ) {
        let run = |punctual: bool| {
            let mut assembler = Assembler::new(rules.clone());
            let (mut now, mut at) = (0, 0);
            for (pause, bytes) in &reads {
                now += pause;
                if let Some(due) = assembler.poll_timeout().filter(|due| punctual && *due <= now) {
                    assembler.handle_timeout(due);
                }
                assembler.handle_input(now, bytes, at, &[]);
                at += bytes.len() as u64;
            }
            let noise = assembler.take_noise();
            (prints(&mut assembler), noise)
        };
        prop_assert_eq!(run(true), run(false));
    }

    /// Whatever a plug made before it, a print that stands alone is read as if nothing had been.
    #[test]
    fn noise_before_a_print_changes_nothing_of_it(
        plugs in prop::collection::vec((plug(), 0_i64..300_000), 1..3),
        pause in 300_000_i64..2 * SECOND,
        body in "[A-Z0-9 +]{1,20}",
    ) {
        let print = format!("CLINIC\r\n{body}x\r\n\r\n");
        let mut assembler = Assembler::new(clinic());
        let (mut now, mut at) = (0, 0);
        for (bytes, pause) in &plugs {
            now += pause;
            assembler.handle_input(now, bytes, at, &[]);
            at += bytes.len() as u64;
        }
        assembler.handle_input(now + pause, print.as_bytes(), at, &[]);
        prop_assert_eq!(said(&prints(&mut assembler)), complete(&format!("CLINIC/{body}x")));
        prop_assert_eq!(assembler.take_noise().bytes, at);
    }
}

#[test]
fn a_report_has_begun_with_its_first_line_and_not_with_a_byte() {
    let mut any = Assembler::new(PrintRules::default());
    any.handle_input(0, b"GLU", 0, &[]);
    assert!(!any.is_begun() && !any.is_idle());
    any.handle_input(1, b"\r\n", 3, &[]);
    assert!(any.is_begun());
    // By what a report begins with, where the dialect knows it.
    let openers = vec![b"No.".to_vec()];
    let mut known = Assembler::new(PrintRules { openers, ..PrintRules::default() });
    known.handle_input(0, b"login:\r\n", 0, &[]);
    assert!(!known.is_begun());
    known.handle_input(1, b"No. 1\r\n", 8, &[]);
    assert!(known.is_begun());
    // What is beyond its bounds moves no report on.
    for n in 0..2 * MAX_LINES as u64 {
        any.handle_input(2, b"x\n", 5 + 2 * n, &[]);
    }
    assert!(!any.is_begun());
}

/// What a plug makes when it is drawn. Nothing that can be read is ever taken for it.
#[test]
fn a_few_bytes_alone_that_nobody_can_read_are_noise_and_no_print() {
    let bursts: [(&[u8], u64); 6] = [
        (b"\xff", 1),
        (b"\xf8\x80\xfe", 3),
        (b"\x01\x1b\xc0", 3),
        (b"\xff\r\n", 1),
        (b"\xff\n\xfe\r\n\xc0", 3),
        (b"\xff\xff\xff\xff\xff\xff\xff\xff", 8),
    ];
    for (bytes, many) in bursts {
        let mut assembler = Assembler::new(rules());
        assembler.handle_input(0, bytes, 0, &[0]);
        assembler.handle_timeout(3 * SECOND);
        assert_eq!(prints(&mut assembler), [], "{bytes:?}");
        assert_eq!(assembler.take_noise(), Noise { bursts: 1, bytes: many }, "{bytes:?}");
        assert!(assembler.is_idle() && assembler.take_noise().is_none());
        assembler.handle_input(4 * SECOND, b"GLU NEG\r\nPH 6.0\r\n\r\n", 100, &[]);
        assert_eq!(said(&prints(&mut assembler)), complete("GLU NEG/PH 6.0"), "{bytes:?}");
    }
    // A letter or a digit, of ASCII or in UTF-8, more bytes than a plug makes, and what stands in a print.
    for bytes in [
        &b"\xff1\xff"[..],
        b"G",
        b"+",
        "\u{b5}".as_bytes(),
        "\u{413}\u{41b}".as_bytes(),
        &[0xff; 9],
    ] {
        let mut assembler = Assembler::new(rules());
        assembler.handle_input(0, bytes, 0, &[]);
        assembler.handle_closed(1);
        assert_eq!(prints(&mut assembler).len(), 1, "{bytes:?}");
        assert!(assembler.take_noise().is_none());
    }
    assert_eq!(heard(b"GLU NEG\r\n\xff\r\n\r\n").len(), 1);
    assert!(heard(b"GLU NEG\r\n\xff\r\n\r\n")[0].0.contains('\u{fffd}'));
}
