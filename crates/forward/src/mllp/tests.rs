//! Blocks however they are cut, and what is none.

use proptest::prelude::*;

use super::{Event, JUNK_PORTION, Reader, frame};

fn events(reader: &mut Reader) -> Vec<Event> {
    std::iter::from_fn(|| reader.poll_event()).collect()
}

fn read(limit: usize, bytes: &[u8]) -> Vec<Event> {
    let mut reader = Reader::new(limit);
    reader.handle_input(bytes);
    events(&mut reader)
}

fn block(bytes: &[u8]) -> Event {
    Event::Block(bytes.to_vec())
}

#[test]
fn blocks_come_whole_one_or_many() {
    assert_eq!(frame(b"MSH|"), b"\x0BMSH|\x1C\x0D");
    let two = [frame(b"one"), frame(b"two")].concat();
    assert_eq!(read(100, &two), [block(b"one"), block(b"two")]);
    assert_eq!(read(100, &frame(b"")), [block(b"")]);
    assert_eq!(read(100, b"\x0Bhalf"), []);
}

#[test]
fn line_ends_between_blocks_are_no_junk_and_other_bytes_are() {
    let bytes = [b"\r\n".as_slice(), &frame(b"one"), b"\n\r\n", &frame(b"two")].concat();
    assert_eq!(read(100, &bytes), [block(b"one"), block(b"two")]);
    let bytes = [b"HTTP\r\n".as_slice(), &frame(b"one"), b"xy", &frame(b"two")].concat();
    assert_eq!(read(100, &bytes), [Event::Junk(4), block(b"one"), Event::Junk(2), block(b"two")]);
}

#[test]
fn junk_without_end_is_told_in_portions_and_kept_nowhere() {
    let mut reader = Reader::new(100);
    for _ in 0..3 {
        reader.handle_input(&vec![b'x'; JUNK_PORTION]);
    }
    reader.handle_input(b"yz");
    assert_eq!(events(&mut reader), vec![Event::Junk(JUNK_PORTION); 3]);
    assert_eq!((reader.junk(), reader.block.capacity()), (2, 0));
}

#[test]
fn a_block_ends_only_with_both_bytes() {
    assert_eq!(read(100, b"\x0Ba\x1Cb\x0Dc\x1C\x0D"), [block(b"a\x1Cb\x0Dc")]);
    assert_eq!(read(100, b"\x0Ba\x1C\x1C\x0D"), [block(b"a\x1C")]);
    assert_eq!(read(100, b"\x0Ba\x0A\x1C\x0D"), [block(b"a\x0A")], "line feeds inside are left in");
}

#[test]
fn a_new_start_ends_a_block_that_never_ended() {
    assert_eq!(read(100, b"\x0Bhalf\x0Bwhole\x1C\x0D"), [Event::Junk(5), block(b"whole")]);
    assert_eq!(read(100, b"\x0Bhalf\x1C\x0Bwhole\x1C\x0D"), [Event::Junk(6), block(b"whole")]);
}

#[test]
fn too_long_a_block_is_skipped_and_the_next_is_read() {
    let exact = frame(&[b'x'; 8]);
    assert_eq!(read(8, &exact), [block(&[b'x'; 8])]);
    let long = [frame(&[b'x'; 9]), frame(b"next")].concat();
    assert_eq!(read(8, &long), [Event::TooLong, block(b"next")]);
    assert_eq!(read(8, b"\x0B123456789\x0Bnext\x1C\x0D"), [Event::TooLong, block(b"next")]);
    assert_eq!(read(8, b"\x0B12345678\x1Cmore\x1C\x0D"), [Event::TooLong]);
}

#[test]
fn release_2_answers_are_no_messages() {
    assert_eq!(read(100, b"\x0B\x06\x1C\x0D"), [Event::TransportAck(true)]);
    assert_eq!(read(100, b"\x0B\x15\x1C\x0D"), [Event::TransportAck(false)]);
    assert_eq!(read(100, b"\x0B\x06\x06\x1C\x0D"), [block(b"\x06\x06")]);
}

#[test]
fn every_split_of_a_conversation_reads_alike() {
    let bytes = [
        b"junk\r\n".as_slice(),
        &frame(b"one"),
        b"\n",
        &frame(b"\x06"),
        b"\x0Bcut\x0B",
        b"two\x1C.\x1C\r",
        &frame(b"far too long for it"),
        b"\x0B\x1C\x1C\r",
    ]
    .concat();
    let whole = read(10, &bytes);
    assert_eq!(whole.len(), 7, "{whole:?}");
    for first in 0..=bytes.len() {
        for second in first..=bytes.len() {
            let mut reader = Reader::new(10);
            reader.handle_input(&bytes[..first]);
            reader.handle_input(&bytes[first..second]);
            reader.handle_input(&bytes[second..]);
            assert_eq!(events(&mut reader), whole, "cut at {first} and {second}");
        }
    }
}

/// Bytes in which the frame's own are frequent.
fn noise() -> impl Strategy<Value = Vec<u8>> {
    let byte =
        prop_oneof![Just(0x0B_u8), Just(0x1C), Just(0x0D), Just(0x06), Just(b'a'), any::<u8>()];
    prop::collection::vec(byte, 0..200)
}

proptest! {
    #[test]
    fn any_bytes_however_cut_read_alike_and_stay_bounded(bytes in noise(), cut in 1_usize..9) {
        let mut reader = Reader::new(16);
        for piece in bytes.chunks(cut) {
            reader.handle_input(piece);
            prop_assert!(reader.block.len() <= 16);
        }
        prop_assert_eq!(events(&mut reader), read(16, &bytes));
    }

    #[test]
    fn a_message_without_frame_bytes_comes_back(text in "[ -~\r]{2,300}", after in noise()) {
        let mut reader = Reader::default();
        reader.handle_input(&frame(text.as_bytes()));
        reader.handle_input(&after);
        prop_assert_eq!(reader.poll_event(), Some(Event::Block(text.into_bytes())));
    }
}
