//! A serial port at the far end of a network: Telnet with the option for COM ports, as the one who asks. Bytes in,
//! bytes out; no socket and no clock here.
//!
//! Sources: RFC 854 and 855 (Telnet, its options), RFC 856 (binary), RFC 858 (no go-ahead), RFC 2217 (the option,
//! its commands and the bits of line and modem state).
//!
//! Every setting has to be confirmed before the line counts as ready. What comes before that was heard in settings
//! that nobody knows: it is kept, each byte of it marked as damaged. What the far end refuses, or changes later, ends
//! the line with its reason.

use std::collections::VecDeque;

use super::spec::Wanted;
use super::trouble::{Counts, Trouble};

const IAC: u8 = 255;
const DONT: u8 = 254;
const DO: u8 = 253;
const WONT: u8 = 252;
const WILL: u8 = 251;
const SB: u8 = 250;
const BREAK: u8 = 243;
const SE: u8 = 240;

const BINARY: u8 = 0;
const NO_GO_AHEAD: u8 = 3;
const COM_PORT: u8 = 44;

/// What a server answers to a command is the command and so much.
const ANSWER: u8 = 100;
const SPEED: u8 = 1;
const DATA_BITS: u8 = 2;
const PARITY: u8 = 3;
const STOP_BITS: u8 = 4;
const CONTROL: u8 = 5;
const LINE_STATE: u8 = 6;
const MODEM_STATE: u8 = 7;
const SUSPEND: u8 = 8;
const RESUME: u8 = 9;
const LINE_MASK: u8 = 10;
const MODEM_MASK: u8 = 11;

/// Bits of a line's state.
const STATES: [(u8, Trouble); 4] =
    [(2, Trouble::Overrun), (4, Trouble::Parity), (8, Trouble::Framing), (16, Trouble::Break)];
const STATE_MASK: u8 = 2 | 4 | 8 | 16;

/// Longest command that is looked at: the others are text, such as the server's name for itself.
const COMMAND: usize = 16;
/// Most that may wait to be sent. Ours are answers of one byte, and one answer to each option.
const OUT: usize = 16 * 1024;

/// Where in Telnet's text we are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
enum At {
    #[default]
    Data,
    Iac,
    /// After WILL, WONT, DO or DONT.
    Verb(u8),
    Command,
    CommandIac,
}

/// What the far end has agreed to.
#[derive(Debug, Default)]
struct Agreed {
    /// What it sends is eight bits wide.
    binary: bool,
    com_port: bool,
}

/// Telnet's other end, towards a server of serial ports.
#[derive(Debug)]
pub(super) struct Client {
    settings: Vec<Setting>,
    at: At,
    command: Vec<u8>,
    agreed: Agreed,
    asked: bool,
    /// Options of theirs and of ours that were answered: once each is enough, and no two ends refuse for ever.
    answered: [[bool; 256]; 2],
    /// The next byte is one that the server reported an error of.
    spoilt: bool,
    suspended: bool,
    out: VecDeque<u8>,
    held: Vec<u8>,
    refused: Option<String>,
    pub counts: Counts,
    pub modem: Option<u8>,
}

/// One setting, as it is asked for.
#[derive(Debug)]
struct Setting {
    command: u8,
    value: Vec<u8>,
    what: &'static str,
    confirmed: bool,
}

impl Setting {
    /// Whether an answer is about it: what one command sets of several things is told by the value.
    fn is_answered_by(&self, command: u8, value: &[u8]) -> bool {
        let kind = |value: &[u8]| match value.first() {
            Some(1..=3 | 17 | 19) => 1,
            Some(8 | 9) => 2,
            Some(11 | 12) => 3,
            _ => 0,
        };
        let one = command != CONTROL || kind(value) == kind(&self.value);
        self.command == command && value.len() == self.value.len() && one
    }
}

impl Client {
    pub fn new(wanted: &Wanted) -> Self {
        let mut client = Self {
            settings: settings(wanted),
            at: At::Data,
            command: Vec::new(),
            agreed: Agreed::default(),
            asked: false,
            answered: [[false; 256]; 2],
            spoilt: false,
            suspended: false,
            out: VecDeque::new(),
            held: Vec::new(),
            refused: None,
            counts: Counts::default(),
            modem: None,
        };
        for (verb, option) in
            [(WILL, COM_PORT), (WILL, BINARY), (DO, BINARY), (WILL, NO_GO_AHEAD), (DO, NO_GO_AHEAD)]
        {
            client.out.extend([IAC, verb, option]);
        }
        client
    }

    /// Every setting was confirmed, and what comes is as the port hears it.
    pub fn is_ready(&self) -> bool {
        let agreed = self.agreed.com_port && self.agreed.binary;
        agreed && self.refused.is_none() && self.settings.iter().all(|s| s.confirmed)
    }

    /// Why the line is not to be heard any more.
    pub fn refused(&self) -> Option<&str> {
        self.refused.as_deref()
    }

    /// What has not been answered yet, in words.
    pub fn missing(&self) -> &'static str {
        if !self.agreed.com_port {
            return "whether it speaks RFC 2217";
        }
        if !self.agreed.binary {
            return "whether it sends all eight bits";
        }
        self.settings.iter().find(|s| !s.confirmed).map_or("nothing", |s| s.what)
    }

    /// Takes what came. Appends what the port heard; `flaws` gets the indexes of what is not to be trusted. True: a
    /// break was among it, which stands in the bytes as a marked 00.
    pub fn input(&mut self, raw: &[u8], bytes: &mut Vec<u8>, flaws: &mut Vec<usize>) -> bool {
        let (start, mut broke) = (bytes.len(), false);
        for &byte in raw {
            self.at = match (self.at, byte) {
                (At::Data, IAC) => At::Iac,
                (At::Data, byte) => {
                    self.heard(byte, bytes, flaws);
                    At::Data
                }
                (At::Iac, IAC) => {
                    self.heard(IAC, bytes, flaws);
                    At::Data
                }
                (At::Iac, SB) => {
                    self.command.clear();
                    At::Command
                }
                (At::Iac, WILL | WONT | DO | DONT) => At::Verb(byte),
                (At::Iac, BREAK) => {
                    broke |= self.troubled(Trouble::Break, start, bytes, flaws);
                    At::Data
                }
                (At::Iac, _) => At::Data,
                (At::Verb(verb), option) => {
                    self.negotiated(verb, option);
                    At::Data
                }
                (At::Command, IAC) => At::CommandIac,
                (At::Command, byte) | (At::CommandIac, byte @ IAC) => {
                    if self.command.len() <= COMMAND {
                        self.command.push(byte);
                    }
                    At::Command
                }
                (At::CommandIac, SE) => {
                    broke |= self.commanded(start, bytes, flaws);
                    At::Data
                }
                // No end where one has to be: what began there is forgotten.
                (At::CommandIac, WILL | WONT | DO | DONT) => At::Verb(byte),
                (At::CommandIac, _) => At::Data,
            };
        }
        broke
    }

    /// Has bytes sent to the port. False: the far end takes none, and no more is kept.
    pub fn send(&mut self, bytes: &[u8]) -> bool {
        if self.out.len() + self.held.len() + 2 * bytes.len() > OUT {
            return false;
        }
        let doubled =
            bytes.iter().flat_map(|b| std::iter::repeat_n(*b, 1 + usize::from(*b == IAC)));
        match self.suspended {
            true => self.held.extend(doubled),
            false => self.out.extend(doubled),
        }
        true
    }

    /// What is to be sent, as far as it lies in one piece; [`Client::sent`] says how much of it has gone.
    pub fn transmit(&mut self) -> &[u8] {
        self.out.make_contiguous()
    }

    pub fn sent(&mut self, count: usize) {
        self.out.drain(..count.min(self.out.len()));
    }

    fn heard(&mut self, byte: u8, bytes: &mut Vec<u8>, flaws: &mut Vec<usize>) {
        if std::mem::take(&mut self.spoilt) || !self.is_ready() {
            flaws.push(bytes.len());
        }
        bytes.push(byte);
    }

    /// The server reports an error of the line. It does not say of which byte: the one before it is marked, and the
    /// next. A break, and an error before which nothing is at hand, stand in the bytes as a marked 00.
    fn troubled(
        &mut self,
        trouble: Trouble,
        start: usize,
        bytes: &mut Vec<u8>,
        flaws: &mut Vec<usize>,
    ) -> bool {
        self.counts.add(trouble, 1);
        if trouble == Trouble::Break || bytes.len() <= start {
            flaws.push(bytes.len());
            bytes.push(0);
        } else if flaws.last() != Some(&(bytes.len() - 1)) {
            flaws.push(bytes.len() - 1);
        }
        self.spoilt = trouble != Trouble::Break;
        trouble == Trouble::Break
    }

    /// The far end offers, asks for or turns down an option.
    fn negotiated(&mut self, verb: u8, option: u8) {
        match (verb, option) {
            (DO, COM_PORT) => self.com_port_agreed(),
            (WILL, COM_PORT) => {
                self.answer(0, DO, COM_PORT);
                self.com_port_agreed();
            }
            (DONT, COM_PORT) => self.refuse("it speaks Telnet, but not RFC 2217".into()),
            (WILL, BINARY) => self.agreed.binary = true,
            (WONT, BINARY) => self.refuse("it does not send all eight bits (RFC 856)".into()),
            // What we asked for, and what it may leave.
            (WILL | DO, NO_GO_AHEAD) | (DO, BINARY) | (WONT | DONT, _) => {}
            (WILL, option) => self.answer(0, DONT, option),
            (_, option) => self.answer(1, WONT, option),
        }
    }

    fn answer(&mut self, side: usize, verb: u8, option: u8) {
        let told = &mut self.answered[side][usize::from(option)];
        if !std::mem::replace(told, true) {
            self.out.extend([IAC, verb, option]);
        }
    }

    fn com_port_agreed(&mut self) {
        self.agreed.com_port = true;
        if std::mem::replace(&mut self.asked, true) {
            return;
        }
        let settings = self.settings.iter().map(|s| (s.command, s.value.clone()));
        let masks = [(LINE_MASK, vec![STATE_MASK]), (MODEM_MASK, vec![255])];
        for (command, value) in settings.chain(masks).collect::<Vec<_>>() {
            self.out.extend([IAC, SB, COM_PORT, command]);
            for byte in value {
                self.out.extend(std::iter::repeat_n(byte, 1 + usize::from(byte == IAC)));
            }
            self.out.extend([IAC, SE]);
        }
    }

    /// A command of the server's is whole.
    fn commanded(&mut self, start: usize, bytes: &mut Vec<u8>, flaws: &mut Vec<usize>) -> bool {
        let command = std::mem::take(&mut self.command);
        let [COM_PORT, answer, value @ ..] = command.as_slice() else { return false };
        let Some(command) = answer.checked_sub(ANSWER).filter(|_| value.len() < COMMAND) else {
            return false;
        };
        match (command, value) {
            (LINE_STATE, [state]) => {
                let mut broke = false;
                for (_, trouble) in STATES.iter().filter(|(bit, _)| state & bit != 0) {
                    broke |= self.troubled(*trouble, start, bytes, flaws);
                }
                return broke;
            }
            (MODEM_STATE, [state]) => self.modem = Some(*state),
            (SUSPEND, []) => self.suspended = true,
            (RESUME, []) => {
                self.suspended = false;
                self.out.extend(std::mem::take(&mut self.held));
            }
            _ => self.confirmed(command, value),
        }
        false
    }

    fn confirmed(&mut self, command: u8, value: &[u8]) {
        // What was not asked yet has not been answered: the port's settings as they were before.
        if !self.asked {
            return;
        }
        let setting = self.settings.iter_mut().find(|s| s.is_answered_by(command, value));
        let Some(setting) = setting else { return };
        if setting.value == value {
            setting.confirmed = true;
            return;
        }
        let number = |value: &[u8]| value.iter().fold(0_u64, |n, byte| (n << 8) | u64::from(*byte));
        let (what, asked, found) = (setting.what, number(&setting.value), number(value));
        let text = match command {
            SPEED | DATA_BITS => format!("{what}: {asked} was asked for, it answers {found}"),
            _ => format!("{what}: it answers {found} where {asked} was asked for (RFC 2217)"),
        };
        self.refuse(text);
    }

    fn refuse(&mut self, why: String) {
        self.refused.get_or_insert(why);
    }
}

/// What is asked for, in the order of asking.
fn settings(wanted: &Wanted) -> Vec<Setting> {
    let one = |command, value: Vec<u8>, what| Setting { command, value, what, confirmed: false };
    let mut all = vec![
        one(SPEED, wanted.speed.to_be_bytes().to_vec(), "its speed"),
        one(DATA_BITS, vec![wanted.data_bits], "its data bits"),
        one(PARITY, vec![wanted.parity], "its parity"),
        one(STOP_BITS, vec![1], "its stop bits"),
        one(CONTROL, vec![wanted.flow], "its flow control"),
    ];
    let level =
        |on, off, level: Option<bool>| level.map(|level| vec![if level { on } else { off }]);
    all.extend(level(8, 9, wanted.dtr).map(|value| one(CONTROL, value, "its DTR")));
    all.extend(level(11, 12, wanted.rts).map(|value| one(CONTROL, value, "its RTS")));
    all
}

#[cfg(test)]
mod tests;
