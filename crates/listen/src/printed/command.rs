//! Printer control sequences: what a printer obeys and does not print.
//!
//! Two families that clash, so the dialect says which. ECMA-48 (5th edition, 1991; clause 5.4 for
//! control sequences, 5.6 for strings, and ECMA-35 13.2 for escape sequences) has a grammar. The
//! commands of most printers begin with ESC, GS or FS and have none: how many bytes belong to each
//! has to be told. A sequence that is not known, or has no end, stays in the text, where it holds
//! its report: its operands could be read as digits.

use super::control::Controls;

const BEL: u8 = 0x07;
const ESC: u8 = 0x1B;
const CSI: u8 = 0x9B;

/// Most bytes of one sequence; a longer one is none.
const LONGEST: usize = 256;

/// Which sequences the printer beside this line obeys.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Printer {
    /// None are sent.
    #[default]
    None,
    /// Sequences by the grammar of ECMA-48: known without a list.
    Ecma48 {
        /// 9B is CSI, as in ISO 8-bit codes; elsewhere it is a letter.
        eight_bits: bool,
    },
    /// Commands by list; what is not listed holds the report.
    Commands(Commands),
}

/// Printer commands by their first two bytes.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Commands {
    /// The lead (ESC, GS or FS), the letter behind it, and how many bytes follow.
    pub led: Vec<(u8, u8, u8)>,
    /// Commands of one byte.
    pub alone: Controls,
}

/// A sequence while it is heard.
#[derive(Clone, Debug, Default)]
pub(super) struct Sequence {
    state: State,
    /// Its bytes with their places, in case it turns out to be none.
    held: Vec<(u8, u64)>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum State {
    #[default]
    Out,
    /// Behind ESC, GS or FS of a printer command.
    Led(u8),
    /// So many bytes are still to come.
    Operands(u8),
    /// Behind ESC, and behind CSI.
    Escape,
    Control,
    /// Inside a string; its last byte was ESC.
    Text(bool),
}

/// What a byte is to a sequence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Belongs {
    /// Part of one.
    Inside,
    /// No part of any.
    Outside,
    /// What was held is none after all, and this byte is no part of it.
    Broken,
}

impl Sequence {
    /// True while a sequence is under way: then nothing is a line end.
    pub fn is_open(&self) -> bool {
        self.state != State::Out
    }

    /// Gives up the sequence under way: its bytes are text.
    pub fn give_up(&mut self) -> Vec<(u8, u64)> {
        self.state = State::Out;
        std::mem::take(&mut self.held)
    }

    /// What a byte is, with its place in case it has to be given back as text.
    pub fn hear(&mut self, printer: &Printer, byte: u8, at: u64) -> Belongs {
        let next = match (self.state, printer) {
            (State::Out, Printer::None) => return Belongs::Outside,
            (State::Out, Printer::Ecma48 { eight_bits }) => match byte {
                ESC => Some(State::Escape),
                CSI if *eight_bits => Some(State::Control),
                BEL => return Belongs::Inside,
                _ => return Belongs::Outside,
            },
            (State::Out, Printer::Commands(known)) => {
                if known.alone.has(byte) {
                    return Belongs::Inside;
                }
                if !known.led.iter().any(|(lead, ..)| *lead == byte) {
                    return Belongs::Outside;
                }
                Some(State::Led(byte))
            }
            (State::Led(lead), Printer::Commands(known)) => {
                let command = known.led.iter().find(|(l, letter, _)| (*l, *letter) == (lead, byte));
                command.map(|(.., count)| operands(*count))
            }
            (State::Operands(left), _) => Some(operands(left.saturating_sub(1))),
            (State::Text(escaped), _) => text(byte, escaped),
            (state, _) => grammar(state, byte),
        };
        let Some(next) = next.filter(|_| self.held.len() < LONGEST) else { return Belongs::Broken };
        self.state = next;
        if next == State::Out {
            self.held.clear();
        } else {
            self.held.push((byte, at));
        }
        Belongs::Inside
    }
}

fn operands(left: u8) -> State {
    if left == 0 { State::Out } else { State::Operands(left) }
}

/// ECMA-48. None: the byte cannot stand here.
fn grammar(state: State, byte: u8) -> Option<State> {
    match (state, byte) {
        (State::Escape, 0x20..=0x2F) => Some(State::Escape),
        (State::Escape, b'[') => Some(State::Control),
        (State::Escape, b'P' | b'X' | b']' | b'^' | b'_') => Some(State::Text(false)),
        (State::Escape, 0x30..=0x7E) | (State::Control, 0x40..=0x7E) => Some(State::Out),
        (State::Control, 0x20..=0x3F) => Some(State::Control),
        _ => None,
    }
}

/// A string ends with ESC `\`; many end one with BEL.
fn text(byte: u8, escaped: bool) -> Option<State> {
    match (byte, escaped) {
        (b'\\', true) | (BEL, false) => Some(State::Out),
        (_, true) => None,
        (ESC, false) => Some(State::Text(true)),
        (0x08..=0x0D | 0x20..=0x7E | 0x80.., false) => Some(State::Text(false)),
        _ => None,
    }
}
