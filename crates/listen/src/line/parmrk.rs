//! Undoes what `PARMRK` does to a serial port's bytes: `FF FF` is FF, `FF 00 x` is x received with
//! an error, `FF 00 00` a break (or a spoiled NUL: the two cannot be told apart).
//!
//! A port set to mark damage (`INPCK` and `PARMRK`, see termios(3)) puts FF 00 before a byte that arrived with a
//! parity or framing error, and doubles an FF that arrived well. Undoing it needs memory of two bytes, since a read
//! may end anywhere.

/// Carries what a read left unfinished into the next.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Decoder {
    #[default]
    Plain,
    /// After FF.
    Escape,
    /// After FF 00.
    Marked,
}

impl Decoder {
    /// Appends what `raw` stands for: bytes, and the indexes of those received with an error. True:
    /// a break was among them, which stands in the bytes as a marked 00.
    pub fn decode(&mut self, raw: &[u8], bytes: &mut Vec<u8>, flaws: &mut Vec<usize>) -> bool {
        let mut broke = false;
        for &byte in raw {
            *self = match (*self, byte) {
                (Decoder::Plain, 0xFF) => Decoder::Escape,
                (Decoder::Escape, 0x00) => Decoder::Marked,
                (Decoder::Marked, _) => {
                    broke |= byte == 0;
                    flaws.push(bytes.len());
                    bytes.push(byte);
                    Decoder::Plain
                }
                // FF FF; a lone FF before anything else does not occur while PARMRK is set.
                (Decoder::Plain | Decoder::Escape, byte) => {
                    bytes.push(byte);
                    Decoder::Plain
                }
            };
        }
        broke
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::Decoder;

    fn decode(pieces: &[&[u8]]) -> (Vec<u8>, Vec<usize>, bool) {
        let (mut bytes, mut flaws, mut broke) = (Vec::new(), Vec::new(), false);
        let mut decoder = Decoder::default();
        for piece in pieces {
            broke |= decoder.decode(piece, &mut bytes, &mut flaws);
        }
        (bytes, flaws, broke)
    }

    #[test]
    fn doubled_marked_and_broken() {
        assert_eq!(decode(&[b"a\xFF\xFFb"]), (b"a\xFFb".to_vec(), vec![], false));
        assert_eq!(decode(&[b"a\xFF\0bc"]), (b"abc".to_vec(), vec![1], false));
        assert_eq!(decode(&[b"a\xFF\0\0c"]), (b"a\0c".to_vec(), vec![1], true));
        assert_eq!(decode(&[b"\xFF\0\xFF"]), (b"\xFF".to_vec(), vec![0], false));
        assert_eq!(decode(&[b"a\0b"]), (b"a\0b".to_vec(), vec![], false));
    }

    proptest! {
        #[test]
        fn any_cut_gives_the_same(raw in proptest::collection::vec(
            prop_oneof![Just(0xFF_u8), Just(0), any::<u8>()], 0..40), at in 0_usize..40)
        {
            let (left, right) = raw.split_at(at.min(raw.len()));
            prop_assert_eq!(decode(&[&raw]), decode(&[left, right]));
        }

        #[test]
        fn what_the_kernel_writes_is_undone(
            heard in proptest::collection::vec(any::<(u8, bool)>(), 0..40),
        ) {
            let mut raw = Vec::new();
            for &(byte, bad) in &heard {
                match (bad, byte) {
                    (true, byte) => raw.extend([0xFF, 0, byte]),
                    (false, 0xFF) => raw.extend([0xFF, 0xFF]),
                    (false, byte) => raw.push(byte),
                }
            }
            let (bytes, flaws, _) = decode(&[&raw]);
            let wanted: Vec<u8> = heard.iter().map(|(byte, _)| *byte).collect();
            let bad: Vec<usize> = heard.iter().enumerate().filter(|(_, (_, bad))| *bad)
                .map(|(index, _)| index).collect();
            prop_assert_eq!((bytes, flaws), (wanted, bad));
        }
    }
}
