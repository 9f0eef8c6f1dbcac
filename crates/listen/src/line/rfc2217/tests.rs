//! Telnet's other end against texts written by hand from the RFCs, and against whatever may come.

use proptest::prelude::*;

use super::{Client, OUT};
use crate::line::spec::{LineSpec, Wanted};
use crate::line::trouble::Trouble;

fn wanted(framing: &str, flow: &str, dtr: &str, rts: &str) -> Wanted {
    let line = LineSpec::parse("rfc2217:server:4001", 9600, framing, flow, &[]).expect("a line");
    line.with_modem(dtr, rts).expect("settings").wanted()
}

fn plain() -> Wanted {
    wanted("8N1", "none", "leave", "leave")
}

/// What a client sends now, as it would go out.
fn sends(client: &mut Client) -> Vec<u8> {
    let out = client.transmit().to_vec();
    client.sent(out.len());
    out
}

/// What a client hears: bytes, marks, whether a break was among it.
fn hears(client: &mut Client, raw: &[u8]) -> (Vec<u8>, Vec<usize>, bool) {
    let (mut bytes, mut flaws) = (Vec::new(), Vec::new());
    let broke = client.input(raw, &mut bytes, &mut flaws);
    (bytes, flaws, broke)
}

/// The server agrees: DO COM-PORT, WILL BINARY.
const AGREES: &[u8] = &[255, 253, 44, 255, 251, 0];
/// It confirms 9600 8N1 without flow control: commands 101 to 105 of RFC 2217.
const CONFIRMS: &[u8] = &[
    255, 250, 44, 101, 0, 0, 0x25, 0x80, 255, 240, 255, 250, 44, 102, 8, 255, 240, 255, 250, 44,
    103, 1, 255, 240, 255, 250, 44, 104, 1, 255, 240, 255, 250, 44, 105, 1, 255, 240,
];

fn ready() -> Client {
    let mut client = Client::new(&plain());
    hears(&mut client, AGREES);
    hears(&mut client, CONFIRMS);
    assert!(client.is_ready(), "{:?} {}", client.refused(), client.missing());
    sends(&mut client);
    client
}

#[test]
fn settings_are_asked_for_when_the_option_is_agreed_and_confirmed_one_by_one() {
    let mut client = Client::new(&wanted("7E1", "none", "off", "on"));
    let offer = [255, 251, 44, 255, 251, 0, 255, 253, 0, 255, 251, 3, 255, 253, 3];
    assert_eq!(sends(&mut client), offer);
    assert_eq!(client.missing(), "whether it speaks RFC 2217");
    hears(&mut client, &[255, 253, 44]);
    let asks = [
        [255, 250, 44, 1, 0, 0, 0x25, 0x80, 255, 240].as_slice(),
        &[255, 250, 44, 2, 7, 255, 240],
        &[255, 250, 44, 3, 3, 255, 240],
        &[255, 250, 44, 4, 1, 255, 240],
        &[255, 250, 44, 5, 1, 255, 240],
        &[255, 250, 44, 5, 9, 255, 240],
        &[255, 250, 44, 5, 11, 255, 240],
        &[255, 250, 44, 10, 30, 255, 240],
        // The value 255 is doubled, as RFC 855 has it.
        &[255, 250, 44, 11, 255, 255, 255, 240],
    ];
    assert_eq!(sends(&mut client), asks.concat());
    assert_eq!(client.missing(), "whether it sends all eight bits");
    hears(&mut client, &[255, 251, 0]);
    for (missing, answer) in [
        ("its speed", [255, 250, 44, 101, 0, 0, 0x25, 0x80, 255, 240].as_slice()),
        ("its data bits", &[255, 250, 44, 102, 7, 255, 240]),
        ("its parity", &[255, 250, 44, 103, 3, 255, 240]),
        ("its stop bits", &[255, 250, 44, 104, 1, 255, 240]),
        ("its flow control", &[255, 250, 44, 105, 1, 255, 240]),
        ("its DTR", &[255, 250, 44, 105, 9, 255, 240]),
        ("its RTS", &[255, 250, 44, 105, 11, 255, 240]),
    ] {
        assert_eq!(client.missing(), missing);
        assert!(!client.is_ready());
        hears(&mut client, answer);
    }
    assert!(client.is_ready());
    assert_eq!(sends(&mut client), [], "agreed options are not answered again");
}

#[test]
fn a_server_that_offers_the_option_itself_is_taken_at_its_word() {
    let mut client = Client::new(&plain());
    sends(&mut client);
    hears(&mut client, &[255, 251, 44]);
    assert!(sends(&mut client).starts_with(&[255, 253, 44, 255, 250, 44, 1]));
    hears(&mut client, AGREES);
    hears(&mut client, CONFIRMS);
    assert!(client.is_ready());
}

#[test]
fn what_is_refused_or_changed_ends_the_line_with_its_reason() {
    let change =
        |command: u8, value: &[u8]| [&[255, 250, 44, command], value, &[255, 240]].concat();
    for (answer, why) in [
        (change(101, &[0, 0, 0x4B, 0]), "its speed: 9600 was asked for, it answers 19200"),
        (change(102, &[7]), "its data bits: 8 was asked for, it answers 7"),
        (change(103, &[3]), "its parity: it answers 3 where 1 was asked for (RFC 2217)"),
        (change(104, &[2]), "its stop bits: it answers 2 where 1 was asked for (RFC 2217)"),
        (change(105, &[3]), "its flow control: it answers 3 where 1 was asked for (RFC 2217)"),
        (vec![255, 254, 44], "it speaks Telnet, but not RFC 2217"),
        (vec![255, 252, 0], "it does not send all eight bits (RFC 856)"),
    ] {
        // While settings are agreed on, and when another client changes them later.
        let mut early = Client::new(&plain());
        hears(&mut early, &[255, 253, 44]);
        let mut late = ready();
        for client in [&mut early, &mut late] {
            hears(client, &answer);
            assert_eq!(client.refused(), Some(why));
            hears(client, AGREES);
            hears(client, CONFIRMS);
            assert!(!client.is_ready(), "{why}");
        }
    }
    // What says nothing about a setting of ours changes nothing.
    let mut client = ready();
    for other in [change(105, &[8]), change(105, &[5]), change(101, &[1]), change(0, b"server")] {
        hears(&mut client, &other);
    }
    assert!(client.is_ready(), "{:?}", client.refused());
    // Nor does an answer to what nobody asked yet.
    let mut early = Client::new(&plain());
    hears(&mut early, CONFIRMS);
    hears(&mut early, AGREES);
    assert!(!early.is_ready() && early.refused().is_none());
}

#[test]
fn bytes_come_as_the_port_heard_them() {
    let mut client = ready();
    assert_eq!(hears(&mut client, b"a\xFF\xFFb\r\n\0"), (b"a\xFFb\r\n\0".to_vec(), vec![], false));
    assert!(client.send(b"\x06\xFF\x15"));
    assert_eq!(sends(&mut client), b"\x06\xFF\xFF\x15");
    // Commands between bytes are none of them, known or not.
    let between = b"a\xFF\xF1b\xFF\xFA\x2C\x6B\x30\xFF\xF0c\xFF\xFA\x18\x01\xFF\xF0d";
    assert_eq!(hears(&mut client, between), (b"abcd".to_vec(), vec![], false));
    assert_eq!(client.modem, Some(0x30));
    // Before everything is confirmed nobody knows what they are.
    let mut early = Client::new(&plain());
    assert_eq!(hears(&mut early, b"GLU"), (b"GLU".to_vec(), vec![0, 1, 2], false));
}

#[test]
fn what_a_server_reports_of_the_line_is_marked_and_counted() {
    let state = |bits: u8| [255, 250, 44, 106, bits, 255, 240];
    for (raw, bytes, flaws, broke, trouble) in [
        // Of which byte it is nobody says: of the one before it or of the one after it.
        (
            [b"ab".as_slice(), &state(4), b"cd"].concat(),
            b"abcd".as_slice(),
            vec![1, 2],
            false,
            Trouble::Parity,
        ),
        (
            [b"ab".as_slice(), &state(8), b"cd"].concat(),
            b"abcd",
            vec![1, 2],
            false,
            Trouble::Framing,
        ),
        (
            [b"ab".as_slice(), &state(2), b"cd"].concat(),
            b"abcd",
            vec![1, 2],
            false,
            Trouble::Overrun,
        ),
        ([b"ab".as_slice(), &state(16), b"cd"].concat(), b"ab\0cd", vec![2], true, Trouble::Break),
        ([b"ab".as_slice(), &[255, 243], b"cd"].concat(), b"ab\0cd", vec![2], true, Trouble::Break),
        // Nothing is at hand before it.
        ([state(4).as_slice(), b"cd"].concat(), b"\0cd", vec![0, 1], false, Trouble::Parity),
        // That it has something for us is no error.
        ([b"ab".as_slice(), &state(0x61), b"cd"].concat(), b"abcd", vec![], false, Trouble::Damage),
    ] {
        let mut client = ready();
        let heard = hears(&mut client, &raw);
        assert_eq!(heard, (bytes.to_vec(), flaws.clone(), broke), "{trouble:?} {raw:?}");
        assert_eq!(client.counts.of(trouble), u64::from(!flaws.is_empty()), "{trouble:?}");
    }
    let mut client = ready();
    let heard = hears(&mut client, &[b"a".as_slice(), &state(4 | 8), b"b"].concat());
    assert_eq!(heard, (b"ab".to_vec(), vec![0, 1], false));
    assert_eq!(client.counts.to_string(), "1 parity error, 1 framing error");
}

#[test]
fn a_server_that_can_take_no_more_says_so() {
    let mut client = ready();
    hears(&mut client, &[255, 250, 44, 108, 255, 240]);
    assert!(client.send(b"\x06"));
    assert_eq!(sends(&mut client), []);
    assert!(!client.send(&[0; OUT]), "bounded");
    hears(&mut client, &[255, 250, 44, 109, 255, 240]);
    assert_eq!(sends(&mut client), b"\x06");
}

#[test]
fn options_are_turned_down_once() {
    let mut client = ready();
    hears(&mut client, &[255, 251, 1, 255, 253, 24]);
    assert_eq!(sends(&mut client), [255, 254, 1, 255, 252, 24]);
    for _ in 0..1_000 {
        hears(&mut client, &[255, 251, 1, 255, 252, 1, 255, 253, 24, 255, 254, 24]);
    }
    assert_eq!(sends(&mut client), []);
    assert!(client.is_ready());
}

/// Texts with more of Telnet in them than chance would bring.
fn hostile() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        any::<u8>().prop_map(|byte| vec![byte]),
        prop_oneof![Just(255_u8), 240..=255_u8, Just(44_u8), 100..=112_u8]
            .prop_map(|byte| vec![byte]),
        Just(AGREES.to_vec()),
        Just(CONFIRMS.to_vec()),
        (100..=112_u8, proptest::collection::vec(any::<u8>(), 0..20)).prop_map(
            |(command, value)| {
                [&[255, 250, 44, command], value.as_slice(), &[255, 240]].concat()
            }
        ),
    ];
    proptest::collection::vec(piece, 0..60).prop_map(|pieces| pieces.concat())
}

proptest! {
    #[test]
    fn whatever_comes_is_bounded_and_cut_anywhere_means_the_same(raw in hostile(), at in 0_usize..400) {
        let (left, right) = raw.split_at(at.min(raw.len()));
        let (mut whole, mut cut) = (Client::new(&plain()), Client::new(&plain()));
        let (bytes, flaws, _) = hears(&mut whole, &raw);
        // One list of what was heard: what is at hand before an error is the same then.
        let (mut both, mut marks) = (Vec::new(), Vec::new());
        cut.input(left, &mut both, &mut marks);
        let heard_on_its_own = both.len();
        cut.input(right, &mut both, &mut marks);
        prop_assert!(bytes.len() <= 4 * raw.len() && flaws.iter().all(|index| *index < bytes.len()));
        prop_assert!(flaws.is_sorted() && marks.iter().all(|index| *index < both.len()));
        prop_assert_eq!(whole.refused(), cut.refused());
        prop_assert_eq!(whole.is_ready(), cut.is_ready());
        prop_assert_eq!(whole.transmit(), cut.transmit());
        prop_assert_eq!(whole.counts, cut.counts);
        prop_assert!(whole.transmit().len() < OUT && whole.command.len() <= super::COMMAND + 1);
        // But for a marked 00 where the cut left nothing at hand.
        let more = both.len() - bytes.len();
        prop_assert!(more <= 4 && both.starts_with(&bytes[..heard_on_its_own]));
    }

    #[test]
    fn every_byte_comes_through(data in proptest::collection::vec(any::<u8>(), 0..200)) {
        let (mut client, mut raw) = (ready(), Vec::new());
        for byte in &data {
            raw.extend(std::iter::repeat_n(*byte, 1 + usize::from(*byte == 255)));
        }
        prop_assert_eq!(hears(&mut client, &raw), (data.clone(), vec![], false));
        prop_assert!(client.send(&data));
        prop_assert_eq!(sends(&mut client), raw);
    }
}
