//! What must hold whatever the receiver hears, and however it is driven.

use proptest::prelude::*;

use super::super::super::MAX_PART;
use super::super::super::frame::frame;
use super::super::super::sign::{ACK, ENQ, EOT, NAK, STX};
use super::{Event, Rig};
use crate::{SECOND, Tick};

/// What a run over these reads delivers and sends, and when.
fn trace(reads: &[(Tick, Vec<u8>)], punctual: bool) -> (Vec<Event>, Vec<u8>) {
    let mut rig = Rig::new();
    let mut out = Vec::new();
    for (now, bytes) in reads {
        while let Some(due) = rig.link.poll_timeout().filter(|due| punctual && due <= now) {
            out.extend(rig.wait(due));
        }
        out.extend(rig.hear(*now, bytes));
    }
    (rig.events, out)
}

/// Bytes that steer the link come often enough to reach every corner.
fn noise() -> impl Strategy<Value = Vec<u8>> {
    let piece = prop_oneof![
        4 => (0_u8..9, "[A-Z|^]{0,6}", any::<bool>())
            .prop_map(|(number, text, last)| frame(number, text.as_bytes(), last)),
        2 => prop::sample::select(vec![ENQ, EOT, STX, ACK, NAK, 3, 10, 13, 23])
            .prop_map(|byte| vec![byte]),
        1 => prop::collection::vec(any::<u8>(), 0..6),
    ];
    prop::collection::vec(piece, 0..12).prop_map(|pieces| pieces.concat())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn any_cut_gives_the_same_trace(
        bytes in noise(),
        cuts in prop::collection::vec(1_usize..9, 0..40),
        marks in prop::collection::vec(0_usize..200, 0..3),
    ) {
        let flawed = |index: usize| marks.contains(&index);
        let mut whole = Rig::new();
        let all: Vec<usize> = (0..bytes.len()).filter(|index| flawed(*index)).collect();
        let sent = whole.hear_marked(7, &bytes, &all);
        let mut pieces = Rig::new();
        let (mut from, mut out) = (0, Vec::new());
        for size in cuts.iter().copied().chain(std::iter::repeat(5)) {
            if from == bytes.len() {
                break;
            }
            let to = (from + size).min(bytes.len());
            let here: Vec<usize> = (from..to).filter(|i| flawed(*i)).map(|i| i - from).collect();
            out.extend(pieces.hear_marked(7, &bytes[from..to], &here));
            from = to;
        }
        prop_assert_eq!(whole.events, pieces.events);
        prop_assert_eq!(sent, out);
    }

    #[test]
    fn late_timeouts_change_nothing(
        reads in prop::collection::vec((0_i64..40, noise()), 0..8),
    ) {
        let mut now = 0;
        let reads: Vec<(Tick, Vec<u8>)> = reads.into_iter().map(|(pause, bytes)| {
            now += pause * SECOND;
            (now, bytes)
        }).collect();
        prop_assert_eq!(trace(&reads, true).0, trace(&reads, false).0);
    }

    #[test]
    fn a_late_confirmation_changes_nothing(bytes in noise(), more in noise(), late in 0_i64..60) {
        let mut prompt = Rig::new();
        prompt.hear(SECOND, &bytes);
        prompt.hear(2 * SECOND, &more);
        let mut tardy = Rig::new();
        tardy.link.handle_input(SECOND, &bytes, 0, &[]);
        tardy.link.handle_input(2 * SECOND, &more, bytes.len() as u64, &[]);
        tardy.settle((2 + late) * SECOND);
        // Both have heard the same silence now.
        prompt.wait((2 + late) * SECOND);
        tardy.wait((2 + late) * SECOND);
        prop_assert_eq!(prompt.events, tardy.events);
    }

    #[test]
    fn nothing_heard_can_break_it_or_outgrow_its_bounds(
        reads in prop::collection::vec((any::<bool>(), noise(), any::<bool>()), 0..20),
    ) {
        let mut rig = Rig::new();
        for (n, (gap, bytes, stored)) in reads.into_iter().enumerate() {
            let now = Tick::try_from(n).expect("few") * SECOND;
            rig.stored = stored;
            if gap {
                rig.link.handle_gap(now);
            }
            rig.hear(now, &bytes);
            prop_assert!(rig.link.part.len() <= MAX_PART && rig.link.inbox.is_empty());
        }
        rig.link.handle_closed(60 * SECOND);
        rig.settle(60 * SECOND);
        prop_assert!(rig.link.is_idle());
    }
}
