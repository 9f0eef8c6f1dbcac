//! How printed bytes become lines and prints.

use proptest::prelude::*;

use super::{Assembler, MAX_LINE, MAX_LINES, PrintRules};
use crate::SECOND;
use crate::ear::{Ending, Transmission};

fn rules() -> PrintRules {
    PrintRules {
        blank_lines: 1,
        form_feed: true,
        silence: 3 * SECOND,
        openers: vec![b"CLINIC".to_vec()],
    }
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
    let mut assembler = Assembler::new(rules());
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
    assert_eq!(heard(b"CLINIC\rCLINIC\r\nPH 6.0\r\n"), complete("CLINIC/PH 6.0"));
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
    assert_eq!(heard(b"A\n CLINIC x\nB\n"), vec![("A".into(), true), (" CLINIC x/B".into(), true)]);
    let mut patient = Assembler::new(PrintRules { blank_lines: 3, ..rules() });
    patient.handle_input(0, b"A\n\n\nB\n\n\n", 0, &[]);
    assert_eq!(prints(&mut patient), []);
    patient.handle_input(1, b"\n", 9, &[]);
    assert_eq!(said(&prints(&mut patient)), complete("A/B"));
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

fn noise() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        3 => "[A-Z0-9 +]{1,6}".prop_map(String::into_bytes),
        3 => prop::sample::select(vec!["\r", "\n", "\r\n", "\n\r", "\x0c", "\0", "CLINIC"])
            .prop_map(|text| text.as_bytes().to_vec()),
        1 => prop::collection::vec(any::<u8>(), 0..4),
    ];
    prop::collection::vec(piece, 0..20).prop_map(|pieces| pieces.concat())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn any_cut_gives_the_same_prints(bytes in noise(), size in 1_usize..7, mark in 0_usize..40) {
        let run = |size: usize| {
            let mut assembler = Assembler::new(rules());
            let mut at = 0;
            for piece in bytes.chunks(size) {
                let flaw = mark.checked_sub(at).filter(|flaw| *flaw < piece.len());
                assembler.handle_input(5, piece, at as u64, flaw.as_slice());
                at += piece.len();
            }
            assembler.handle_timeout(10 * SECOND);
            prints(&mut assembler)
        };
        prop_assert_eq!(run(bytes.len().max(1)), run(size));
    }

    #[test]
    fn late_timeouts_change_nothing(reads in prop::collection::vec((0_i64..5, noise()), 0..8)) {
        let run = |punctual: bool| {
            let mut assembler = Assembler::new(rules());
            let (mut now, mut at) = (0, 0);
            for (pause, bytes) in &reads {
                now += pause * SECOND;
                if let Some(due) = assembler.poll_timeout().filter(|due| punctual && *due <= now) {
                    assembler.handle_timeout(due);
                }
                assembler.handle_input(now, bytes, at, &[]);
                at += bytes.len() as u64;
            }
            prints(&mut assembler)
        };
        prop_assert_eq!(run(true), run(false));
    }
}
