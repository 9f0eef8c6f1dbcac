//! Every sender of nine speeds and five framings against every receiver, by a model of the line.
//!
//! The prints are our own; each hearing of a search is another one, as at a bench.

use super::uart::{Dice, Trouble, Wire};
use super::{ENOUGH, Framing, Heard, ORDER, Search, Setting, Verdict};

fn settings() -> impl Iterator<Item = Setting> {
    let all = ORDER.into_iter();
    all.flat_map(|speed| Framing::ALL.map(|framing| Setting { speed, framing }))
}

fn at(speed: u32, framing: Framing) -> Setting {
    Setting { speed, framing }
}

/// A print of another specimen each time.
fn print(number: usize) -> Vec<u8> {
    let head = format!("Kestrel Point Clinic\r\nNo. {number:04}  2026-11-2{}\r\n", number % 10);
    let who = format!("ID KP-{}\r\n", 20_417 + number * 37);
    let pads = "GLU   NEG\r\nPRO   TR   15 mg/dL\r\npH    6.5\r\nBLD * 2+   80 Ery/uL\r\nSG    1.020\r\n\r\n";
    (head + &who + pads).into_bytes()
}

/// What goes wrong on lines that still work.
fn troubles() -> Vec<(&'static str, Trouble)> {
    let plain = Trouble::default();
    vec![
        ("back to back", plain),
        ("start taken from a low stop", Trouble { hasty: true, ..plain }),
        ("a character of idle", Trouble { idle: 10, even: true, ..plain }),
        ("idle by chance", Trouble { idle: 30, hasty: true, ..plain }),
        ("2 % fast", Trouble { clock: 20, idle: 3, ..plain }),
        ("2 % slow", Trouble { clock: -20, ..plain }),
        ("noise", Trouble { noise: 1000, idle: 12, ..plain }),
        ("all", Trouble { idle: 20, even: false, clock: -20, noise: 1000, hasty: true, from: 0 }),
    ]
}

/// One print after another, until the search wants no more; the verdict, hearings and bytes heard.
fn search(sender: Setting, trouble: Trouble, dice: &mut Dice) -> (Verdict, usize, usize) {
    let (mut search, mut count, mut bytes) = (Search::default(), 0, 0);
    while let Some(setting) = search.next_try() {
        let wire = Wire::sent(&print(count), sender, trouble, dice);
        let heard = wire.received(setting, trouble, dice);
        bytes += heard.bytes.len();
        count += 1;
        assert!(count <= 45, "{sender}: it does not end");
        search.take(setting, &heard);
    }
    (search.verdict(), count, bytes)
}

#[test]
fn a_receiver_set_like_the_sender_hears_what_was_sent() {
    let mut dice = Dice(7);
    for (name, trouble) in troubles().into_iter().filter(|(_, t)| t.noise == 0) {
        for setting in settings() {
            let wire = Wire::sent(&print(1), setting, trouble, &mut dice);
            let heard = wire.received(setting, trouble, &mut dice);
            assert_eq!(heard, Heard { bytes: print(1), flaws: vec![] }, "{name}, {setting}");
        }
    }
}

/// The model against characters worked out by hand: `G` is 47, its bits from the lowest 1110 0010.
#[test]
fn the_model_does_as_worked_out_by_hand() {
    let mut dice = Dice(7);
    let wire = Wire::sent(b"G", at(9600, Framing::Eight), Trouble::default(), &mut dice);
    let mut hear =
        |speed, framing| wire.received(at(speed, framing), Trouble::default(), &mut dice);
    // Four ones: even parity holds, odd does not.
    assert_eq!(hear(9600, Framing::SevenEven), Heard { bytes: b"G".to_vec(), flaws: vec![] });
    assert_eq!(hear(9600, Framing::SevenOdd), Heard { bytes: b"G".to_vec(), flaws: vec![0] });
    // At twice the speed each bit is two: 0 0 | 1 1 1 1 1 1 0 0 | 0 0 .. is start, 0, six ones, 0 and a low stop;
    // then, from the rise of bit 6 (a one), nothing falls but bit 7: 0 0 and the stop bit behind it.
    let twice = hear(19_200, Framing::Eight);
    assert_eq!(twice.bytes, [0b0111_1110, 0b1111_1110]);
    assert_eq!(twice.flaws, [0]);
}

#[test]
fn no_wrong_receiver_of_any_sender_fits() {
    let (mut dice, mut pairs, mut right) = (Dice(12), 0, 0);
    for (name, trouble) in troubles() {
        for sender in settings() {
            let wire = Wire::sent(&print(5), sender, trouble, &mut dice);
            for receiver in settings() {
                let heard = wire.received(receiver, trouble, &mut dice);
                let judged = heard.judge(receiver.framing, receiver.framing).expect("its own");
                let fits = judged.fits();
                assert_eq!(fits, receiver == sender, "{name}: {sender} at {receiver}: {judged:?}");
                pairs += 1;
                right += usize::from(fits);
            }
        }
    }
    assert_eq!((pairs, right), (8 * 45 * 45, 8 * 45));
}

#[test]
fn every_setting_is_found_and_no_wrong_one_is_sure() {
    let mut dice = Dice(4);
    for (name, trouble) in troubles() {
        let (mut most, mut all, mut heard) = (0, 0, 0);
        for sender in settings() {
            let (verdict, tries, bytes) = search(sender, trouble, &mut dice);
            assert_eq!(verdict.best, Some(sender), "{name}, {sender}: {verdict:?}");
            assert!(verdict.sure, "{name}, {sender}: {verdict:?}");
            assert_eq!(verdict.equal, [], "{name}, {sender}");
            assert!(verdict.next.is_some(), "{name}, {sender}: nothing is said of the next best");
            (most, all, heard) = (most.max(tries), all + tries, heard + bytes);
        }
        println!("{name}: 45 of 45; {all} prints, at most {most} for one; {heard} bytes");
    }
}

#[test]
fn what_8n1_hears_tells_what_other_framings_would() {
    let mut dice = Dice(3);
    for (name, trouble) in troubles().into_iter().filter(|(_, t)| t.noise == 0 && !t.hasty) {
        for sender in Framing::ALL {
            let wire = Wire::sent(&print(2), at(9600, sender), trouble, &mut dice);
            let plain = wire.received(at(9600, Framing::Eight), trouble, &mut dice);
            for framing in [Framing::SevenEven, Framing::SevenOdd, sender] {
                let real = wire.received(at(9600, framing), trouble, &mut dice);
                let (as_if, own) =
                    (plain.judge(Framing::Eight, framing), real.judge(framing, framing));
                // The text is the same; seven bits of a framing error are no text in either.
                let fits = |j: Option<super::Judgement>| j.expect("judged").fits();
                assert_eq!(fits(as_if), fits(own), "{name}: {sender:?} as {framing:?}");
            }
        }
    }
}

#[test]
fn silence_and_noise_are_not_sure() {
    let mut search = Search::default();
    let mut count = 0;
    while let Some(setting) = search.next_try() {
        search.take(setting, &Heard::default());
        count += 1;
    }
    assert_eq!(count, 27, "each speed at 8N1, 8E1 and 8O1");
    let verdict = search.verdict();
    assert_eq!((verdict.best, verdict.sure), (None, false));
    assert_eq!(verdict.why, ["nothing was heard"]);
    for seed in 1..=24 {
        let mut dice = Dice(seed * 7919);
        // From a few bits of 115200 to a few of 300.
        let longest = [30_000_000, 300_000_000, 3_000_000_000, 10_000_000_000];
        let longest = longest[usize::try_from(seed % 4).expect("small")];
        let mut search = Search::default();
        while let Some(setting) = search.next_try() {
            let wire = Wire::noise(1500, longest, &mut dice);
            search.take(setting, &wire.received(setting, Trouble::default(), &mut dice));
        }
        let verdict = search.verdict();
        assert_eq!((verdict.best, verdict.sure), (None, false), "{seed}: {verdict:?}");
    }
}

/// Bytes that come evenly from the whole range, without one mark, as a mute adapter gives them.
#[test]
fn bytes_by_chance_are_not_sure() {
    let mut dice = Dice(99);
    for _ in 0..50 {
        let mut search = Search::default();
        while let Some(setting) = search.next_try() {
            let byte = |_| u8::try_from(dice.below(256)).expect("a byte");
            search.take(setting, &Heard { bytes: (0..300).map(byte).collect(), flaws: vec![] });
        }
        assert_eq!(search.verdict().best, None);
    }
}

/// Every byte has an even number of ones: with bit 7 as parity it is 7E1, and 8O1 with an idle bit.
#[test]
fn what_cannot_be_told_apart_is_said_to_be_equal() {
    let text: Vec<u8> = (b' '..=b'~').filter(|b| b.count_ones() % 2 == 0).collect();
    // 0A has two ones, 0D three: lines end with LF alone.
    let text = [&text[..], b"\n", &text, b"\n"].concat();
    let trouble = Trouble { idle: 4, even: true, ..Trouble::default() };
    let mut dice = Dice(5);
    let mut search = Search::default();
    while let Some(setting) = search.next_try() {
        let wire = Wire::sent(&text, at(4800, Framing::SevenEven), trouble, &mut dice);
        search.take(setting, &wire.received(setting, trouble, &mut dice));
    }
    let verdict = search.verdict();
    let mut same = verdict.equal.clone();
    same.extend(verdict.best);
    same.sort();
    let all = [Framing::Eight, Framing::SevenEven, Framing::EightOdd].map(|f| at(4800, f));
    assert_eq!(same, all);
    assert!(!verdict.sure);
    assert!(verdict.why.iter().any(|why| why.contains("reads the same at")), "{verdict:?}");
}

/// An adapter that reports no damage reads 8E1 as 8N1 where characters stand apart.
#[test]
fn a_port_that_marks_nothing_is_not_sure_of_eight_bits() {
    let trouble = Trouble { idle: 4, even: true, ..Trouble::default() };
    for framing in Framing::ALL {
        let sender = at(9600, framing);
        let (mut search, mut dice) = (Search::default(), Dice(8));
        while let Some(setting) = search.next_try() {
            let wire = Wire::sent(&print(3), sender, trouble, &mut dice);
            let heard = wire.received(setting, trouble, &mut dice);
            search.take(setting, &Heard { flaws: vec![], ..heard });
        }
        let verdict = search.verdict();
        let seven = matches!(framing, Framing::SevenEven | Framing::SevenOdd);
        assert_eq!(verdict.sure, seven, "{sender}: {verdict:?}");
        assert!(verdict.best == Some(sender) || verdict.equal.contains(&sender) || !seven);
        assert_eq!(verdict.best.map(|best| best.speed), Some(9600), "{verdict:?}");
    }
}

/// An analyzer that speaks LIS01 asks again and again: the speed is a guess and the framing unknown.
#[test]
fn enquiries_alone_are_a_guess() {
    let (mut search, mut dice) = (Search::default(), Dice(6));
    while let Some(setting) = search.next_try() {
        let wire = Wire::sent(&[0x05], at(9600, Framing::Eight), Trouble::default(), &mut dice);
        search.take(setting, &wire.received(setting, Trouble::default(), &mut dice));
    }
    let verdict = search.verdict();
    assert_eq!(verdict.best, Some(at(9600, Framing::Eight)), "{verdict:?}");
    assert!(!verdict.sure);
    assert!(verdict.why[0].contains("asks to send"), "{verdict:?}");
}

#[test]
fn one_print_is_no_proof() {
    let mut search = Search::default();
    let setting = search.next_try().expect("the first");
    assert_eq!(setting, at(9600, Framing::Eight));
    search.take(setting, &Heard { bytes: print(1), flaws: vec![] });
    let verdict = search.verdict();
    assert_eq!((verdict.best, verdict.sure), (Some(setting), false));
    assert!(verdict.why.iter().any(|why| why.contains("2 and more are wanted")), "{verdict:?}");
    assert_eq!(search.next_try(), Some(setting));
    // The others are not like the first: the setting is not proven, and the search goes on elsewhere.
    let damaged = Heard { bytes: vec![0; 60], flaws: (0..60).collect() };
    search.take(setting, &damaged);
    assert_eq!(search.next_try(), Some(setting));
    search.take(setting, &damaged);
    assert_eq!(search.verdict().best, None);
    assert_eq!(search.next_try(), Some(at(9600, Framing::EightEven)));
}

/// Each rule alone keeps a hearing from fitting, and is said.
#[test]
fn what_speaks_against_a_setting_is_said_in_words() {
    let text = print(1);
    let marked = (0..text.len()).step_by(4).collect();
    let two = [&[0x29, 0x39].repeat(40)[..], b"\r\n"].concat();
    let endless: Vec<u8> = (b' '..=b'~').collect();
    let long = [&endless.repeat(5)[..], b"\n"].concat();
    let high = text.iter().map(|b| if *b == b' ' { 0xE6 } else { *b }).collect();
    let whole = |bytes: Vec<u8>| Heard { bytes, flaws: vec![] };
    for (heard, wanted) in [
        (Heard { bytes: text.clone(), flaws: marked }, "bytes are damaged"),
        (whole(high), "undamaged bytes are no text"),
        (whole(two), "only 4 different undamaged bytes"),
        (whole(endless), "no line ends"),
        (whole(long), "a line of 475 bytes"),
        (whole(b"GLU NEG\r\n".to_vec()), "9 bytes are too few, 40 are wanted"),
        (Heard { bytes: vec![0; 50], flaws: (0..50).collect() }, "50 of 50 bytes are breaks"),
        (whole(vec![]), "nothing was heard"),
    ] {
        let judged = heard.judge(Framing::Eight, Framing::Eight).expect("its own");
        assert!(!judged.fits() && judged.reason().contains(wanted), "{}", judged.reason());
    }
}

/// The fewest bytes that are believed.
#[test]
fn as_few_bytes_as_are_wanted_tell_every_pair_apart() {
    let short = print(6).into_iter().skip(22).take(ENOUGH).collect::<Vec<_>>();
    let mut dice = Dice(2);
    for sender in settings() {
        let wire = Wire::sent(&short, sender, Trouble::default(), &mut dice);
        for receiver in settings() {
            let heard = wire.received(receiver, Trouble::default(), &mut dice);
            let fits = heard.judge(receiver.framing, receiver.framing).expect("its own").fits();
            assert_eq!(fits, receiver == sender, "{sender} at {receiver}");
        }
    }
}

/// Each port begins to listen somewhere inside a print, at any bit of a character.
#[test]
fn a_hearing_that_begins_inside_a_print_is_enough() {
    let mut dice = Dice(21);
    for sender in settings() {
        let mut search = Search::default();
        let mut number = 0;
        while let Some(setting) = search.next_try() {
            number += 1;
            let bit = 1_000_000_000_000 / u64::from(sender.speed);
            let from = 1_000_000_000_000 + bit * dice.below(300);
            let trouble = Trouble { idle: 12, from, ..Trouble::default() };
            let text = [print(number), print(number + 1)].concat();
            let wire = Wire::sent(&text, sender, trouble, &mut dice);
            search.take(setting, &wire.received(setting, trouble, &mut dice));
        }
        let verdict = search.verdict();
        assert_eq!((verdict.best, verdict.sure), (Some(sender), true), "{verdict:?}");
    }
}
