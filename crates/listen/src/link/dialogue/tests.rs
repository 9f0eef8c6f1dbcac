//! An analyzer that asks, is answered and prints beside it, against the computer's side: by rule, and by seed over a
//! line that loses, spoils and delays bytes in both directions, with a tape that fails.

use std::collections::VecDeque;

use super::super::pair_tests::{Dice, Read, messages, read_again, sessions};
use super::super::sign::{ACK, ENQ, EOT, NAK};
use super::super::{Event, frame};
use super::{Dialogue, Said};
use crate::{SECOND, Tick};

/// Each side's bytes on the wire, when they arrive.
struct Side {
    link: Dialogue,
    inbox: VecDeque<Read>,
    tape: Vec<Read>,
    at: u64,
    storing: Option<Tick>,
    events: Vec<Event>,
    said: Vec<(u64, Said)>,
    asked: Vec<Tick>,
}

impl Side {
    fn new(link: Dialogue) -> Self {
        let (inbox, tape, events) = (VecDeque::new(), Vec::new(), Vec::new());
        let (said, asked) = (Vec::new(), Vec::new());
        Self { link, inbox, tape, at: 0, storing: None, events, said, asked }
    }

    fn next(&self) -> Option<Tick> {
        let read = self.inbox.front().map(|read| read.0);
        [read, self.storing, self.link.poll_timeout()].into_iter().flatten().min()
    }
}

/// How bad the line is: one byte in so many; 0 is never.
#[derive(Clone, Copy, Default)]
struct Faults {
    lost: u64,
    spoiled: u64,
    not_stored: u64,
    longest_delay: u64,
}

struct World {
    dice: Dice,
    faults: Faults,
    now: Tick,
    /// The analyzer, and the computer.
    sides: [Side; 2],
}

impl World {
    fn new(seed: u64, faults: Faults) -> Self {
        let sides = [Side::new(Dialogue::instrument()), Side::new(Dialogue::host())];
        Self { dice: Dice(seed), faults, now: 0, sides }
    }

    /// Runs until `limit`, and until nothing is under way any more.
    fn run(&mut self, limit: Tick) {
        while let Some(next) = self.sides.iter().filter_map(Side::next).min() {
            if next > limit {
                break;
            }
            self.now = self.now.max(next);
            self.step(0);
            self.step(1);
        }
        self.now = self.now.max(limit);
    }

    fn delay(&mut self, part: u64) -> Tick {
        Tick::try_from(self.dice.below(self.faults.longest_delay / part + 1)).expect("seconds")
    }

    fn step(&mut self, of: usize) {
        let now = self.now;
        let read = self.sides[of].inbox.pop_front_if(|read| read.0 <= now);
        let side = &mut self.sides[of];
        match read {
            Some((_, bytes, flaws)) => {
                side.link.handle_input(now, &bytes, side.at, &flaws);
                side.at += bytes.len() as u64;
                side.tape.push((now, bytes, flaws));
            }
            None => side.link.handle_timeout(now),
        }
        self.heard(of);
        if self.sides[of].storing.is_some_and(|until| until <= now) {
            let stored = !self.dice.one_in(self.faults.not_stored);
            let side = &mut self.sides[of];
            side.storing = None;
            side.link.confirm(now, stored);
            self.heard(of);
        }
        self.sent(of);
    }

    fn heard(&mut self, of: usize) {
        while let Some(event) = self.sides[of].link.poll_event() {
            if matches!(event, Event::Keep { .. }) {
                self.sides[of].storing = Some(self.now + self.delay(2));
            }
            self.sides[of].events.push(event);
        }
        while let Some(said) = self.sides[of].link.poll_said() {
            self.sides[of].said.push(said);
        }
    }

    fn sent(&mut self, of: usize) {
        let mut out = Vec::new();
        self.sides[of].link.poll_transmit(&mut out);
        if out.contains(&ENQ) {
            self.sides[of].asked.push(self.now);
        }
        let mut read: Read = (0, Vec::new(), Vec::new());
        // One damage a turn: two can cancel out in a plain sum, which no receiver can see.
        let mut whole = true;
        for byte in out {
            if whole && self.dice.one_in(self.faults.lost) {
                whole = false;
                continue;
            }
            let spoiled = whole && self.dice.one_in(self.faults.spoiled);
            whole &= !spoiled;
            // What single letters cannot defend against is not the machines' fault.
            let letter = [ACK, NAK, EOT, ENQ].contains(&byte);
            let bit = if letter { 6 } else { self.dice.below(8) };
            read.1.push(byte ^ (u8::from(spoiled) << bit));
            if self.dice.one_in(8) {
                self.arrive(of, std::mem::take(&mut read));
            }
        }
        self.arrive(of, read);
    }

    fn arrive(&mut self, from: usize, mut read: Read) {
        if read.1.is_empty() {
            return;
        }
        let to = 1 - from;
        let after = self.sides[to].inbox.back().map_or(0, |read| read.0);
        read.0 = (self.now + self.delay(8)).max(after);
        self.sides[to].inbox.push_back(read);
    }
}

/// What a run of one seed met.
#[derive(Default)]
struct Met {
    delivered: usize,
    answered: usize,
    dropped: usize,
    crossed: usize,
}

fn answer_of(n: u64) -> Vec<Vec<u8>> {
    vec![b"H|answer".to_vec(), format!("L|1|{n}").into_bytes()]
}

/// An analyzer with results to say and a computer with answers, each at its own time, for a good quarter of an hour.
fn simulate(seed: u64) -> Met {
    let mut dice = Dice(!seed);
    let rate =
        |dice: &mut Dice, from: u64| if dice.one_in(3) { 0 } else { from + dice.below(from) };
    let faults = Faults {
        lost: rate(&mut dice, 150),
        spoiled: rate(&mut dice, 150),
        not_stored: rate(&mut dice, 8),
        longest_delay: 1 + dice.below(4_000_000),
    };
    let messages = messages(&mut dice);
    let mut world = World::new(seed, faults);
    let (mut results, mut answers) = (messages.iter(), 0);
    let mut now = 0;
    while now < 300 * SECOND {
        // Often both at once.
        if dice.one_in(2) {
            results.by_ref().take(1).for_each(|one| world.sides[0].link.offer(one));
        }
        if dice.one_in(2) {
            world.sides[1].link.answer(now, answers, answer_of(answers), now + 60 * SECOND);
            answers += 1;
        }
        now += Tick::try_from(dice.below(40_000_000)).expect("seconds");
        world.run(now);
    }
    results.for_each(|one| world.sides[0].link.offer(one));
    world.run(900 * SECOND);
    let [analyzer, host] = &world.sides;
    let (live, again) = (sessions(&host.events), sessions(&read_again(&host.tape, world.now)));
    let heard = sessions(&analyzer.events);
    for session in live.iter().chain(&again) {
        let whole = messages.iter().any(|message| message.starts_with(session));
        assert!(whole, "seed {seed}: a session of the analyzer holds something else");
    }
    let delivered = messages.len() - analyzer.link.waiting();
    for message in &messages[..delivered] {
        assert!(live.contains(message), "seed {seed}: believed delivered, and is not");
        assert!(again.contains(message), "seed {seed}: the tape gives less than was acknowledged");
    }
    // Unless a frame waits for the tape just now.
    if faults.not_stored == 0 && host.storing.is_none() {
        assert_eq!(live, again, "seed {seed}: what we said changes what was heard");
    }
    for (n, said) in &host.said {
        let came = heard.contains(&answer_of(*n));
        assert!(*said != Said::Delivered || came, "seed {seed}: answer {n} did not come");
    }
    let mut told: Vec<u64> = host.said.iter().map(|(n, _)| *n).collect();
    told.sort_unstable();
    let all: Vec<u64> = (0..answers).collect();
    assert_eq!(told, all, "seed {seed}: of each answer it is told once what became of it");
    let is_delivered = |said: &&(u64, Said)| said.1 == Said::Delivered;
    let answered = host.said.iter().filter(is_delivered).count();
    let near = |t: &Tick| host.asked.iter().any(|u| (t - u).abs() < SECOND / 2);
    Met {
        delivered,
        answered,
        dropped: host.said.len() - answered,
        crossed: analyzer.asked.iter().filter(|t| near(t)).count(),
    }
}

#[test]
fn nothing_of_either_side_is_lost_where_both_speak() {
    let long = std::env::var("WICKLINE_LONG").is_ok_and(|long| long == "1");
    let seeds = if long { 20_000 } else { 1_000 };
    let mut all = Met::default();
    for seed in 0..seeds {
        let met = simulate(seed);
        all.delivered += met.delivered;
        all.answered += met.answered;
        all.dropped += met.dropped;
        all.crossed += met.crossed;
    }
    let Met { delivered, answered, dropped, crossed } = all;
    // The runs must have met what they are for.
    let seeds = seeds as usize;
    assert!(
        delivered > seeds && answered > seeds && dropped > seeds / 10 && crossed > seeds / 10,
        "{delivered} delivered, {answered} answered, {dropped} dropped, {crossed} enquiries crossed"
    );
}

/// O35: an answer and results begin at the same moment, 200 times: nothing is lost and no answer is that of an earlier
/// question.
#[test]
fn o35_answers_and_results_that_meet_on_the_line_are_both_heard() {
    let faults = Faults { longest_delay: 400_000, ..Faults::default() };
    let mut world = World::new(35, faults);
    let (mut results, mut answers, mut met) = (Vec::new(), Vec::new(), 0);
    while met < 200 {
        let n = answers.len() as u64;
        assert!(n < 2_000, "{met} of {n} have met");
        let (now, asked) = (world.now + 60 * SECOND, world.sides.each_ref().map(|s| s.asked.len()));
        world.run(now);
        results.push(vec![b"H|result".to_vec(), format!("L|1|{n}").into_bytes()]);
        answers.push(answer_of(n));
        world.sides[0].link.offer(&results[results.len() - 1]);
        world.sides[1].link.answer(now, n, answer_of(n), now + 60 * SECOND);
        world.run(now + 60 * SECOND);
        let first = |of: usize| world.sides[of].asked.get(asked[of]).copied();
        met += usize::from(first(0) == first(1));
    }
    let [analyzer, host] = &world.sides;
    assert_eq!(sessions(&host.events), results, "every result, once and in order");
    assert_eq!(sessions(&analyzer.events), answers, "every answer, each before the next question");
    let told: Vec<_> = (0..answers.len() as u64).map(|n| (n, Said::Delivered)).collect();
    assert_eq!(host.said, told);
}

/// One side, spoken to by hand.
struct Rig {
    link: Dialogue,
    at: u64,
}

impl Rig {
    fn host() -> Self {
        Self { link: Dialogue::host(), at: 0 }
    }

    /// An answer for a minute.
    fn answers(&mut self, now: Tick, to: u64) {
        self.link.answer(now, to, vec![b"H|".to_vec(), b"L|1|I".to_vec()], now + 60 * SECOND);
    }

    fn hear(&mut self, now: Tick, bytes: &[u8]) -> Vec<u8> {
        self.link.handle_input(now, bytes, self.at, &[]);
        self.at += bytes.len() as u64;
        while let Some(event) = self.link.poll_event() {
            if matches!(event, Event::Keep { .. }) {
                self.link.confirm(now, true);
            }
        }
        self.sent()
    }

    fn wait(&mut self, now: Tick) -> Vec<u8> {
        self.link.handle_timeout(now);
        self.sent()
    }

    fn sent(&mut self) -> Vec<u8> {
        let mut out = Vec::new();
        self.link.poll_transmit(&mut out);
        out
    }

    /// An answer that the analyzer takes.
    fn is_taken(&mut self, now: Tick) {
        assert_eq!(self.hear(now, &[ACK]), frame(1, b"H|\r", true));
        assert_eq!(self.hear(now, &[ACK]), frame(2, b"L|1|I\r", true));
        assert_eq!(self.hear(now, &[ACK]), [EOT]);
    }
}

#[test]
fn an_answer_waits_for_the_end_of_the_session_and_is_said_then() {
    let mut rig = Rig::host();
    assert_eq!(rig.hear(0, &[ENQ]), [ACK]);
    assert_eq!(rig.hear(1, &frame(1, b"Q|1\r", true)), [ACK]);
    rig.answers(2, 7);
    assert_eq!(rig.wait(3), [], "never inside the analyzer's session");
    assert_eq!(rig.hear(4, &[EOT]), []);
    assert_eq!(rig.link.poll_timeout(), Some(4 + SECOND / 4));
    assert_eq!(rig.wait(4 + SECOND / 4), [ENQ]);
    rig.is_taken(SECOND);
    assert_eq!(rig.link.poll_said(), Some((7, Said::Delivered)));
    assert_eq!((rig.link.poll_said(), rig.link.poll_timeout()), (None, None));
}

#[test]
fn where_both_ask_at_once_the_analyzer_goes_first() {
    let mut rig = Rig::host();
    rig.answers(0, 7);
    assert_eq!(rig.wait(0), [ENQ]);
    assert_eq!(rig.hear(10, &[ENQ]), [], "its next enquiry is the one that is answered");
    // A second later, also where its clock is a little fast (LIS1-A 6.2.7.1).
    assert_eq!(rig.hear(SECOND - 1, &[ENQ]), [ACK]);
    assert_eq!(rig.hear(SECOND, &frame(1, b"R|1\r", true)), [ACK]);
    assert_eq!(rig.wait(2 * SECOND), []);
    rig.hear(3 * SECOND, &[EOT]);
    assert_eq!(rig.wait(4 * SECOND), [ENQ], "the twenty seconds are for its enquiry alone");
    rig.is_taken(4 * SECOND);
    assert_eq!(rig.link.poll_said(), Some((7, Said::Delivered)));
}

#[test]
fn an_analyzer_that_asked_and_then_says_nothing_is_waited_for_for_twenty_seconds() {
    let mut rig = Rig::host();
    rig.answers(0, 7);
    assert_eq!(rig.wait(0), [ENQ]);
    assert_eq!(rig.hear(10, &[ENQ]), []);
    assert_eq!(rig.wait(20 * SECOND), []);
    assert_eq!(rig.wait(20 * SECOND + 10), [ENQ]);
    rig.is_taken(21 * SECOND);
}

#[test]
fn an_analyzer_that_takes_no_heed_of_our_enquiry_is_heard_all_the_same() {
    let mut rig = Rig::host();
    rig.answers(0, 7);
    assert_eq!(rig.wait(0), [ENQ]);
    assert_eq!(rig.hear(3 * SECOND, &[ENQ]), [ACK], "it cannot have crossed ours");
    assert_eq!(rig.hear(4 * SECOND, &frame(1, b"R|1\r", true)), [ACK]);
    assert_eq!(rig.hear(5 * SECOND, &[EOT]), []);
    assert_eq!(rig.wait(6 * SECOND), [ENQ]);
}

#[test]
fn an_answer_that_nobody_takes_is_tried_three_times_and_dropped() {
    let mut rig = Rig::host();
    rig.answers(0, 7);
    let mut asked = Vec::new();
    while let Some(due) = rig.link.poll_timeout() {
        let now = due.max(0);
        if rig.wait(now) == [ENQ] {
            asked.push(now / SECOND);
        }
    }
    // Fifteen seconds for the reply, ten until the next try.
    assert_eq!(asked, [0, 25, 50]);
    assert_eq!(rig.link.poll_said(), Some((7, Said::Dropped("no answer to the enquiry"))));
    assert_eq!(rig.hear(70 * SECOND, &[ENQ]), [ACK]);
}

#[test]
fn an_analyzer_that_has_spoken_since_is_asked_again_at_once() {
    let mut rig = Rig::host();
    rig.answers(0, 7);
    assert_eq!((rig.wait(0), rig.wait(15 * SECOND)), (vec![ENQ], vec![EOT]));
    assert_eq!(rig.hear(16 * SECOND, &[ENQ]), [ACK]);
    assert_eq!(rig.hear(17 * SECOND, &[EOT]), []);
    assert_eq!(rig.wait(17 * SECOND + SECOND / 4), [ENQ]);
    // One that said that it is busy has its ten seconds (LIS1-A 6.2.6).
    assert_eq!(rig.hear(18 * SECOND, &[NAK]), []);
    assert_eq!(rig.hear(19 * SECOND, &[ENQ, EOT]), [ACK]);
    assert_eq!((rig.wait(27 * SECOND), rig.wait(28 * SECOND)), (vec![], vec![ENQ]));
}

#[test]
fn an_answer_is_never_begun_after_its_time() {
    let mut rig = Rig::host();
    assert_eq!(rig.hear(0, &[ENQ]), [ACK]);
    rig.answers(0, 7);
    for n in 1..=7_u8 {
        rig.hear(Tick::from(n) * 9 * SECOND, &frame(n, b"R|1\r", true));
    }
    assert_eq!(rig.hear(64 * SECOND, &[EOT]), []);
    assert_eq!(rig.wait(64 * SECOND), []);
    let why = "the line was never free for it";
    assert_eq!(rig.link.poll_said(), Some((7, Said::Dropped(why))));
    assert_eq!(rig.link.poll_timeout(), None);
}

#[test]
fn of_two_questions_the_later_one_is_answered() {
    let mut rig = Rig::host();
    rig.hear(0, &[ENQ]);
    rig.answers(0, 7);
    rig.answers(1, 8);
    rig.hear(2, &[EOT]);
    assert_eq!(rig.wait(SECOND), [ENQ]);
    rig.is_taken(SECOND);
    let why = "another question came before it could be said";
    assert_eq!(rig.link.poll_said(), Some((7, Said::Dropped(why))));
    assert_eq!(rig.link.poll_said(), Some((8, Said::Delivered)));
}

#[test]
fn what_is_taken_back_is_not_said() {
    let mut rig = Rig::host();
    rig.hear(0, &[ENQ]);
    rig.answers(0, 7);
    rig.link.drop_answers("taken back");
    assert_eq!((rig.hear(2, &[EOT]), rig.wait(SECOND)), (vec![], vec![]));
    assert_eq!(rig.link.poll_said(), Some((7, Said::Dropped("taken back"))));
}

/// A `D` of a frame with one bit turned is an EOT: the analyzer waits for its answer still, and would take our EOT
/// for it.
#[test]
fn who_may_still_be_speaking_is_not_asked() {
    let mut rig = Rig::host();
    rig.hear(0, &[ENQ]);
    rig.answers(0, 7);
    let spoiled = [&frame(1, b"R|1\r", true)[..4], &[EOT], b"7\r\n"].concat();
    assert_eq!(rig.hear(SECOND, &spoiled), []);
    assert_eq!(rig.wait(20 * SECOND), []);
    assert_eq!(rig.wait(21 * SECOND), [ENQ]);
    // It was speaking after all: nothing that it could take for a yes.
    assert_eq!(rig.hear(22 * SECOND, &frame(1, b"R|1\r", true)), []);
    assert_eq!(rig.wait(36 * SECOND), []);
    assert_eq!(rig.hear(37 * SECOND, &[ENQ]), [ACK]);
}

#[test]
fn after_an_eot_inside_a_frame_and_after_chatter_nobody_is_asked_for_twenty_seconds() {
    let broken = [&[ENQ], &frame(1, b"R|1\r", true)[..4], &[EOT]].concat();
    for heard in [&broken[..], b"x", b"x\r\n"] {
        let mut rig = Rig::host();
        rig.answers(0, 7);
        rig.hear(SECOND, heard);
        assert_eq!(rig.link.poll_timeout(), Some(21 * SECOND), "{heard:?}");
        assert_eq!((rig.wait(20 * SECOND), rig.wait(21 * SECOND)), (vec![], vec![ENQ]));
    }
    // What printers and lines are filled up with is no speech.
    let mut rig = Rig::host();
    rig.answers(0, 7);
    rig.hear(SECOND, &[0, 0x11, 0x13, 13, 10]);
    assert_eq!(rig.wait(SECOND), [ENQ]);
}

/// The session that is answered begins with the enquiry that is answered, for us and for whoever reads the tape.
#[test]
fn after_a_crossed_enquiry_the_analyzer_has_its_thirty_seconds() {
    let mut rig = Rig::host();
    rig.answers(0, 7);
    assert_eq!(rig.wait(0), [ENQ]);
    assert_eq!(rig.hear(10, &[ENQ]), []);
    assert_eq!(rig.hear(SECOND - 1, &[ENQ]), [ACK]);
    assert_eq!(rig.hear(30 * SECOND + SECOND / 2, &frame(1, b"R|1\r", true)), [ACK]);
}

#[test]
fn a_line_with_nothing_to_say_is_a_receiver() {
    let mut rig = Rig::host();
    assert_eq!(rig.hear(0, &[ENQ]), [ACK]);
    assert_eq!(rig.hear(1, &[ENQ]), [], "noise: one too many would answer the next frame");
    assert_eq!(rig.hear(2, &frame(1, b"R|1\r", true)), [ACK]);
    assert_eq!(rig.hear(3, &frame(3, b"R|1\r", true)), [NAK]);
    assert_eq!(rig.hear(4, &[EOT]), []);
    assert_eq!((rig.wait(5), rig.link.poll_timeout()), (vec![], None));
}
