//! The account of numbers against analyzers that count for themselves.

use std::collections::BTreeSet;

use proptest::prelude::*;

use super::{Account, Came, Confirmed, Counting, Reset, Sequence, Spot, Stretch, Told};
use crate::moment::Moment;
use crate::number::{Number, split};
use crate::rules::Rules;

fn number(text: &str) -> Number {
    let mut rules = Rules::default();
    rules.add_control_mark("Q").expect("a mark");
    rules.add_leading_digit("9xxxx=control").expect("a form");
    split(text, &rules)
}

fn counting(reset: Reset, top: Option<i64>) -> Counting {
    Counting { reset, first: 1, top }
}

fn came(day: &str) -> Came<'_> {
    Came { day, taken: None, repeat: false }
}

fn each(stretch: &Stretch) -> Vec<String> {
    (stretch.first.value..=stretch.to).map(|value| stretch.named(value)).collect()
}

/// In few letters, so that a test can be read: `-58 -59` missing, `?` unknown, `+` late.
fn letters(told: &[Told]) -> String {
    let spot = |s: &Spot| format!("{}{}", s.mark, s.value);
    let names = |sign: &str, names: Vec<String>| {
        names.iter().map(|n| format!("{sign}{n}")).collect::<Vec<_>>().join(" ")
    };
    let word = |told: &Told| match told {
        Told::Missing(stretch) => names("-", each(stretch)),
        Told::Unknown(stretch) => names("?", each(stretch)),
        Told::UnknownAfter(after) => format!("?{}..", spot(after)),
        Told::CameLate(late) => format!("+{}", spot(late)),
        Told::HeardBefore(before) => format!("={}", spot(before)),
        Told::ResetSeen { after } => format!("reset:{}", spot(after)),
        Told::Wrapped { after } => format!("wrap:{}", spot(after)),
        Told::Before(before) => format!("<{}", spot(before)),
        Told::Outside { value } => format!("!{value}"),
    };
    told.iter().map(word).collect::<Vec<_>>().join(" ")
}

/// Enters numbers one after the other: `day number`; `stop` and `restart` happen between.
fn story(counting: Counting, steps: &[(&str, &str)]) {
    let mut account = Account::new(counting, Vec::new());
    for (step, wanted) in steps {
        let told = match step.split_once(' ') {
            Some((day, text)) => {
                let (text, repeat) = text.strip_suffix('r').map_or((text, false), |t| (t, true));
                let taken = Moment::from_digits(day);
                let came = Came { day, taken, repeat };
                let spot = account.spot_of(&number(text), came);
                let told = account.next(&number(text), came);
                for told in &told {
                    if let Told::CameLate(s) | Told::HeardBefore(s) | Told::Before(s) = told {
                        assert_eq!(Some(s), spot.as_ref(), "{step}");
                    }
                }
                told
            }
            None if *step == "stop" => {
                account.stopped();
                Vec::new()
            }
            None => {
                account.restarted();
                Vec::new()
            }
        };
        assert_eq!(letters(&told), *wanted, "{step} in {steps:?}");
        // Whatever the ledger keeps is enough to go on from.
        let mut rows: Vec<Sequence> = account.sequences().to_vec();
        rows.reverse();
        let again = Account::new(counting, rows);
        assert_eq!(again, account);
        account = again;
    }
}

#[test]
fn daily_numbers() {
    story(
        counting(Reset::Daily, None),
        &[
            ("2025-03-13 0056", ""),
            ("2025-03-13 0057", ""),
            ("2025-03-13 0060", "-0058 -0059"),
            ("2025-03-13 0059", "+59"),
            ("2025-03-13 0059", "=59"),
            ("2025-03-13 0060r", "=60"),
            ("2025-03-13 0055", "<55"),
            ("2025-03-13 Q2", ""),
            ("2025-03-14 0003", "-0001 -0002"),
            ("2025-03-13 0062", "-0061"),
            ("2025-03-14 0001", "+1"),
            ("2025-03-13 0058", "+58"),
            ("2025-03-14 Q1", ""),
            ("2025-03-14 12A", ""),
            ("2025-03-14 0000", "!0"),
            ("2025-03-14 90002", "-90001"),
        ],
    );
}

#[test]
fn after_a_stop_it_says_what_it_cannot_know() {
    story(
        counting(Reset::Daily, None),
        &[
            ("2025-03-13 57", ""),
            ("stop", ""),
            ("2025-03-13 60", "?58 ?59"),
            ("2025-03-13 62", "-61"),
            ("stop", ""),
            ("2025-03-14 3", "?62.. ?1 ?2"),
            ("2025-03-14 2", "+2"),
            ("2025-03-14 5", "-4"),
            ("2025-03-15 2", "-1"),
        ],
    );
    story(
        counting(Reset::PowerUp, None),
        &[("20250314 7", ""), ("stop", ""), ("20250315 1", "reset:7 ?7.."), ("20250315 3", "-2")],
    );
}

#[test]
fn numbers_that_begin_again_at_power_up() {
    story(
        counting(Reset::PowerUp, None),
        &[
            ("202503140800 55", ""),
            ("202503140801 57", "-56"),
            ("202503140802 55", "=55"),
            ("202503140803 1", "reset:57"),
            ("202503140803 1r", "=1"),
            ("202503140804 4", "-2 -3"),
            // Taken before the reset: of the generation before.
            ("202503140800 56", "+56"),
            ("202503140806 3", "+3"),
            ("restart", ""),
            ("202503140805 2", "+2"),
            ("202503140807 2", "reset:4 -1"),
            ("202503140808 1", "reset:2"),
        ],
    );
}

#[test]
fn numbers_that_wrap_around() {
    story(
        counting(Reset::Never, Some(999)),
        &[
            ("20250314 996", ""),
            ("20250314 998", "-997"),
            ("20250315 2", "wrap:998 -999 -1"),
            ("20250315 997", "+997"),
            ("20250315 999", "+999"),
            ("20250315 999", "=999"),
            ("20250315 1", "+1"),
            ("20250315 995", "<995"),
            ("20250315 1000", "!1000"),
            ("20250315 3", ""),
            ("restart", ""),
            ("20250315 2r", "=2"),
            ("20250316 1", "reset:3"),
        ],
    );
}

#[test]
fn the_shorter_way_around_decides() {
    for (next, wanted) in [("59", "-11"), ("60", "<60"), ("61", "<61")] {
        let mut account = Account::new(counting(Reset::Never, Some(99)), Vec::new());
        account.next(&number("10"), came("2025-03-14"));
        let told = letters(&account.next(&number(next), came("2025-03-14")));
        assert!(told.starts_with(wanted), "{next}: {told}");
    }
}

#[test]
fn a_wild_number_floods_nothing() {
    let mut account = Account::new(Counting::default(), Vec::new());
    account.next(&number("1"), came("2025-03-14"));
    let told = account.next(&number("999999999"), came("2025-03-14"));
    let [Told::Missing(stretch)] = told.as_slice() else { panic!("{told:?}") };
    assert_eq!((stretch.count(), stretch.name().as_str()), (999_999_997, "2-999999998"));
    let told = account.next(&number("500000000"), came("2025-03-14"));
    assert_eq!(letters(&told), "+500000000");
    assert_eq!(account.sequences()[0].missing.len(), 2);
}

#[test]
fn what_cannot_be_counted_is_refused() {
    assert!(Counting::of("daily", 1, None).is_ok() && Counting::of("never", 0, Some(9)).is_ok());
    for (reset, first, top) in [
        ("weekly", 1, None),
        ("daily", -1, None),
        ("never", 1, Some(5)),
        ("never", 1, Some(i64::MAX)),
    ] {
        assert!(Counting::of(reset, first, top).is_err(), "{reset} {first} {top:?}");
    }
}

/// What an account has told to be missing and not to have come since.
#[derive(Default)]
struct Ledger(BTreeSet<Spot>);

impl Ledger {
    fn enter(&mut self, told: &[Told]) {
        for told in told {
            match told {
                Told::Missing(stretch) | Told::Unknown(stretch) => {
                    for value in stretch.first.value..=stretch.to {
                        let new = self.0.insert(Spot { value, ..stretch.first.clone() });
                        assert!(new, "told twice: {value}");
                    }
                }
                Told::CameLate(spot) => assert!(self.0.remove(spot), "never told: {spot:?}"),
                _ => {}
            }
        }
    }
}

/// A strip as an analyzer that counts for itself gives it out: its number printed, the position in
/// its day, generation or life, and how much later than its turn it arrives.
fn delays() -> impl Strategy<Value = Vec<Option<u8>>> {
    let delay = prop_oneof![6 => Just(Some(0)), 2 => (1..9_u8).prop_map(Some), 1 => Just(None)];
    proptest::collection::vec(delay, 1..120)
}

/// The order of arrival: those that never come left out, the others moved back by their delay.
fn arrivals(delays: &[Option<u8>]) -> Vec<usize> {
    let mut order: Vec<(usize, usize)> = delays
        .iter()
        .enumerate()
        .filter_map(|(n, delay)| delay.map(|d| (n + usize::from(d), n)))
        .collect();
    order.sort_unstable();
    order.into_iter().map(|(_, n)| n).collect()
}

proptest! {
    /// Days of numbers from 1: all below the highest heard of a day that did not come are missing,
    /// on the first day those after the first heard.
    #[test]
    fn daily_numbers_agree_with_a_count_of_days(days in proptest::collection::vec(delays(), 1..4)) {
        let mut account = Account::new(Counting::default(), Vec::new());
        let mut ledger = Ledger::default();
        let mut lowest = None;
        for (n, delays) in days.iter().enumerate() {
            let day = format!("2025-03-{:02}", n + 1);
            let mut heard = BTreeSet::new();
            for n in arrivals(delays) {
                let value = i64::try_from(n).expect("few") + 1;
                let told = account.next(&number(&format!("{value:04}")), came(&day));
                ledger.enter(&told);
                heard.insert(value);
                let from = lowest.get_or_insert((day.clone(), value)).clone();
                let from = if from.0 == day { from.1 } else { 1 };
                let highest = *heard.last().expect("one came");
                let wanted: Vec<i64> =
                    (from..highest).filter(|v| !heard.contains(v)).collect();
                let found: Vec<i64> =
                    ledger.0.iter().filter(|s| s.day == day).map(|s| s.value).collect();
                prop_assert_eq!(found, wanted);
                let again = account.next(&number(&format!("{value:04}")), came(&day));
                let spoken = letters(&again);
                let known = spoken.starts_with('=') || (spoken.starts_with('<') && value < from);
                prop_assert!(known, "{}", spoken);
            }
        }
    }

    /// A counter that wraps at its top, against one that goes on for ever.
    #[test]
    fn wrapping_numbers_agree_with_a_count_without_end(
        delays in delays(),
        top in 40..60_i64,
        start in 0..100_i64,
    ) {
        let mut account = Account::new(counting(Reset::Never, Some(top)), Vec::new());
        let mut ledger = Ledger::default();
        let mut heard: BTreeSet<i64> = BTreeSet::new();
        let mut lowest = None;
        // A gap longer than half a round cannot be told from a step back: such runs are left out.
        let longest = delays.split(|d| *d == Some(0)).map(<[_]>::len).max().unwrap_or(0);
        prop_assume!(longest < 15);
        for n in arrivals(&delays) {
            let count = start + i64::try_from(n).expect("few");
            let value = count % top + 1;
            let told = account.next(&number(&value.to_string()), came("2025-03-14"));
            ledger.enter(&told);
            heard.insert(count);
            let from = *lowest.get_or_insert(count);
            let highest = *heard.last().expect("one came");
            let wanted: BTreeSet<i64> = (from..highest).filter(|c| !heard.contains(c)).collect();
            // The account's rounds begin where the account did.
            let rounds = from / top;
            let found: BTreeSet<i64> =
                ledger.0.iter().map(|s| (s.round + rounds) * top + s.value - 1).collect();
            prop_assert_eq!(found, wanted);
        }
    }

    /// Generations after power-ups: what is late belongs to the generation that it was taken in.
    #[test]
    fn power_up_numbers_agree_with_a_count_of_generations(
        generations in proptest::collection::vec(1..30_usize, 1..5),
        delays in proptest::collection::vec(0..6_usize, 150),
        lost in proptest::collection::vec(any::<bool>(), 150),
    ) {
        let mut account = Account::new(counting(Reset::PowerUp, None), Vec::new());
        let mut ledger = Ledger::default();
        let mut strips = Vec::new();
        for (generation, count) in generations.iter().enumerate() {
            for n in 0..*count {
                let place = strips.len();
                let begins = n == 0;
                // The first of a generation comes, and in its turn: that is how a reset is seen.
                let delay = if begins { 0 } else { delays[place] };
                let comes = begins || !lost[place];
                strips.push((place + delay, place, generation, n, comes));
            }
        }
        let mut order: Vec<_> = strips.into_iter().filter(|(.., comes)| *comes).collect();
        order.sort_unstable_by_key(|(arrival, place, ..)| (*arrival, *place));
        let mut heard: BTreeSet<(usize, usize)> = BTreeSet::new();
        for (_, place, generation, n, _) in order {
            let seconds = 20_000 * 86_400 + i64::try_from(place).expect("few") * 60;
            let came = Came { day: "", taken: Moment::at_wall(seconds), repeat: false };
            let spot = account.spot_of(&number(&(n + 1).to_string()), came).expect("a number");
            prop_assert_eq!(spot.sequence(), format!("#{}.0", generation + 1));
            let told = account.next(&number(&(n + 1).to_string()), came);
            ledger.enter(&told);
            heard.insert((generation, n));
            let mut wanted = BTreeSet::new();
            for of in 0..generations.len() {
                let highest = heard.iter().filter(|(g, _)| *g == of).map(|(_, n)| *n).max();
                for n in 0..highest.unwrap_or(0) {
                    if !heard.contains(&(of, n)) {
                        wanted.insert((of, n));
                    }
                }
            }
            let spot = |s: &Spot| {
                let value = usize::try_from(s.value).expect("positive");
                (s.generation as usize - 1, value - 1)
            };
            let found: BTreeSet<(usize, usize)> = ledger.0.iter().map(spot).collect();
            prop_assert_eq!(found, wanted);
        }
    }

    #[test]
    fn any_row_and_any_number_are_answered(
        first in 0..20_i64,
        top in proptest::option::of(30..60_i64),
        texts in proptest::collection::vec("[Q9]?[0-9]{1,9}", 1..20),
        stops in proptest::collection::vec(0..4_u8, 20),
        reset in 0..3_usize,
    ) {
        let reset = [Reset::Daily, Reset::PowerUp, Reset::Never][reset];
        let mut account = Account::new(Counting { reset, first, top }, Vec::new());
        for (text, stop) in texts.iter().zip(stops) {
            match stop {
                0 => account.stopped(),
                1 => account.restarted(),
                _ => {}
            }
            for told in account.next(&number(text), came("2025-03-14")) {
                if let Told::Missing(stretch) | Told::Unknown(stretch) = &told {
                    prop_assert!(stretch.count() > 0);
                }
            }
            for sequence in account.sequences() {
                let ranges: Vec<(&i64, &i64)> = sequence.missing.iter().collect();
                prop_assert!(ranges.iter().all(|(from, to)| from <= to && **to < sequence.last));
                prop_assert!(ranges.windows(2).all(|w| w[0].1 < w[1].0));
            }
        }
    }
}

#[test]
fn a_person_says_that_the_numbers_began_again() {
    let mut account = Account::new(counting(Reset::Daily, None), Vec::new());
    let came = |at: &str| Moment::from_digits(at);
    let of = |taken: Option<Moment>| Came { day: "2025-03-14", taken, repeat: false };
    for (n, minute) in (1..=5).zip(10..) {
        account.next(&number(&n.to_string()), of(came(&format!("202503140900{minute}"))));
    }
    // The analyzer lost its power: 1 and 2 again, heard before anybody could say so.
    let (one, two) = (of(came("20250314110000")), of(came("20250314110007")));
    assert_eq!(letters(&account.next(&number("1"), one)), "=1");
    assert_eq!(letters(&account.next(&number("2"), two)), "=2");
    assert_eq!(letters(&account.began_again(&number("1"), one)), "reset:5");
    assert_eq!(letters(&account.began_again(&number("2"), two)), "");
    let newest = account.sequences().last().expect("a sequence");
    assert_eq!((newest.generation, newest.last), (2, 1));
    // It goes on in the new generation; 4 is missing there, whatever came before.
    let next =
        |account: &mut Account, n: &str, at: &str| letters(&account.next(&number(n), of(came(at))));
    assert_eq!(next(&mut account, "3", "20250314110014"), "");
    assert_eq!(next(&mut account, "5", "20250314110028"), "-4");
    assert_eq!(next(&mut account, "4", "20250314110021"), "+4");
    assert_eq!(next(&mut account, "4", "20250314090013"), "=4");
}

/// What a person confirms as the last one is awaited from then on, in whatever way an analyzer counts.
#[test]
fn a_confirmed_last_number_opens_what_nobody_heard() {
    let names = |told: Option<Confirmed>| {
        told.map(|c| c.missing.iter().flat_map(each).collect::<Vec<_>>().join(" "))
    };
    let mut daily = Account::new(Counting::default(), Vec::new());
    for text in ["1", "2", "5", "Q003"] {
        daily.next(&number(text), came("d1"));
    }
    assert_eq!(names(daily.confirm(&number("5"), "d1", Some(1))).as_deref(), Some(""));
    assert_eq!(names(daily.confirm(&number("4"), "d1", Some(1))).as_deref(), Some(""));
    assert_eq!(names(daily.confirm(&number("7"), "d1", Some(1))).as_deref(), Some("6 7"));
    assert_eq!(names(daily.confirm(&number("Q5"), "d1", Some(1))).as_deref(), Some("Q004 Q005"));
    assert_eq!(names(daily.confirm(&number("7"), "d1", Some(1))).as_deref(), Some(""), "once");
    assert_eq!(letters(&daily.next(&number("6"), came("d1"))), "+6");
    assert_eq!(letters(&daily.next(&number("9"), came("d1"))), "-8", "one more after all");
    assert_eq!(names(daily.confirm(&number("3"), "d2", None)).as_deref(), Some("1 2 3"));
    assert_eq!(letters(&daily.next(&number("2"), came("d2"))), "+2");
    assert_eq!(names(daily.confirm(&number("0"), "d2", None)), None, "no number of this analyzer");

    let mut never = Account::new(counting(Reset::Never, Some(99)), Vec::new());
    never.next(&number("98"), came("d1"));
    assert_eq!(names(never.confirm(&number("2"), "d1", Some(1))).as_deref(), Some("99 1 2"));
    assert_eq!(names(never.confirm(&number("Q7"), "d1", None)).as_deref(), Some("Q7"));
    assert_eq!(letters(&never.next(&number("4"), came("d2"))), "-3");
}
