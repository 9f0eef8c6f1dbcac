//! A chart with everything on it, held against a fixture; and data that would break out of it.

use std::path::Path;

use super::{Band, Change, Chart, Place, Point};

const HOUR: i64 = 3_600;

fn point(hour: i64, low: i64, high: i64, place: Place) -> Point {
    Point { at: hour * HOUR, low, high, place }
}

fn whole() -> Chart {
    let names = ["on no rung", "NEG", "trace", "1+", "2+", "3+", "4+"];
    Chart {
        title: "Kestrel Point Clinic: bench-1, level 2, GLU (Glucose)".into(),
        period: "2026-03-01 to 2026-03-04, Europe/Lisbon; strip ten-pad".into(),
        from: 0,
        to: 96 * HOUR,
        times: (0..4).map(|n| (n * 24 * HOUR, format!("2026-03-0{}", n + 1))).collect(),
        steps: names.iter().zip(-1..).map(|(name, n)| (2 * n, (*name).to_owned())).collect(),
        measured: false,
        points: vec![
            point(8, 6, 6, Place::In),
            point(20, 8, 8, Place::In),
            point(32, 0, 0, Place::Out),
            point(33, 6, 6, Place::In),
            point(50, -2, -2, Place::Out),
            point(56, 4, 8, Place::In),
            point(80, 6, 6, Place::Untold),
        ],
        bands: vec![
            Band { from: 8 * HOUR, to: 50 * HOUR, low: 4, high: 8 },
            Band { from: 50 * HOUR, to: 96 * HOUR, low: 6, high: 8 },
        ],
        changes: vec![
            Change { at: 8 * HOUR, name: "control lot KP-201, strip lot S-2207".into() },
            Change { at: 50 * HOUR, name: "control lot KP-202".into() },
        ],
    }
}

fn measured() -> Chart {
    Chart {
        measured: true,
        steps: (0..5).map(|n| (n * 250_000, (n * 25).to_string())).collect(),
        points: vec![
            point(10, 500_000, 500_000, Place::In),
            point(40, 812_500, 812_500, Place::Out),
        ],
        bands: vec![Band { from: 10 * HOUR, to: 96 * HOUR, low: 300_000, high: 700_000 }],
        ..whole()
    }
}

#[test]
fn the_same_chart_is_the_same_text() {
    for (name, chart) in [("rungs", whole()), ("numbers", measured())] {
        let text = chart.svg().expect("drawn");
        assert_eq!(text, chart.svg().expect("drawn again"));
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join(format!("../../fixtures/wickline/chart-{name}.svg"));
        if std::env::var_os("WICKLINE_BLESS").is_some() {
            std::fs::write(&path, &text).expect("a fixture can be written");
        }
        let wanted = std::fs::read_to_string(&path).expect("a fixture; WICKLINE_BLESS=1 writes it");
        assert!(text == wanted, "{name}: not as in {}; WICKLINE_BLESS=1 writes it", path.display());
    }
}

#[test]
fn what_is_told_is_told_by_shape_and_every_rung_has_its_name() {
    let text = whole().svg().expect("drawn");
    for name in
        ["on no rung", "NEG", "trace", "1+", "2+", "3+", "4+", "control lot KP-202", "2026-03-03"]
    {
        assert!(text.contains(name), "{name}");
    }
    assert!(text.contains("<circle") && text.contains("<polygon") && text.contains("<polyline"));
    let grey = |colour: &str| {
        let (red, rest) = colour.split_at(2);
        rest.starts_with(red) && rest.ends_with(red)
    };
    for colour in text.split('#').skip(1).filter_map(|rest| rest.get(..6)) {
        assert!(grey(colour), "#{colour} is lost in black and white");
    }
    assert!(
        !text.contains("http://") || text.matches("http://").count() == 1,
        "nothing from outside"
    );
}

#[test]
fn nothing_in_the_data_is_markup() {
    let nasty = "</text><script>alert(1)</script>&\"'\u{0}\u{1b}\u{202e}\u{ffff}";
    let chart = Chart {
        title: nasty.into(),
        period: nasty.into(),
        changes: vec![Change { at: HOUR, name: nasty.into() }],
        steps: vec![(0, nasty.into()), (2, "x".repeat(4_000))],
        ..whole()
    };
    let text = chart.svg().expect("drawn");
    assert!(!text.contains("<script") && text.len() < 60_000);
    let hidden = |c: char| (c.is_control() && c != '\n') || matches!(c, '\u{202e}' | '\u{ffff}');
    assert!(!text.contains(hidden), "XML has no such characters");
}

#[test]
fn an_empty_chart_is_one_too() {
    assert!(Chart::default().svg().expect("drawn").contains("</svg>"));
}
