//! How fast result messages are written, and against what: `cargo bench -p wickline-forward`.
//!
//! The peer writes the same bytes with `write!`, checks nothing, escapes nothing and keeps no text of
//! its own: what a builder written by hand would do. Look at the ratio: both sides are taken in turn.

use std::fmt::Write;
use std::hint::black_box;
use std::time::{Duration, Instant};

use wickline_forward::{Layout, Outgoing, Urine, Version, result_message};
use wickline_normalize::{Code, CodeSystem, Content, Flag, Moment, Observation, Private, Unit};

/// OBX in a message: ten pads, four of them with a grade and a number.
const RESULTS: usize = 14;
const ROUNDS: usize = 7;
const ROUND: Duration = Duration::from_millis(400);

fn main() {
    let observations: Vec<_> = (0..RESULTS).map(observation).collect();
    let specimen = Private::new("KP-004417");
    let operator = Private::new("op7");
    let out = outgoing(&specimen, &operator, &observations);
    let layout = Layout::new(Version::V251, "KESTRELPOINT", "LIS", "KESTREL");
    let message = result_message(&layout, &out).expect("the sample can be written");
    let bare = plain(&layout, &out);
    assert_eq!(String::from_utf8_lossy(&message), bare, "both write the same");
    let pairs: Vec<_> = (0..ROUNDS)
        .map(|_| {
            let ours =
                rate(|| result_message(black_box(&layout), black_box(&out)).map_or(0, |m| m.len()));
            (ours, rate(|| plain(black_box(&layout), black_box(&out)).len()))
        })
        .collect();
    println!("ORU, {RESULTS} OBX, {} bytes, one thread, median of {ROUNDS} pairs", message.len());
    println!("checked and escaped  {:>10.0} a second", median(&pairs, |p| p.0));
    println!("write! alone         {:>10.0} a second", median(&pairs, |p| p.1));
    println!("ratio                {:>10.2}", median(&pairs, |p| p.0 / p.1));
}

/// Runs in a second.
fn rate(mut run: impl FnMut() -> usize) -> f64 {
    let (start, mut runs) = (Instant::now(), 0_u32);
    while start.elapsed() < ROUND {
        for _ in 0..256 {
            black_box(run());
        }
        runs += 256;
    }
    f64::from(runs) / start.elapsed().as_secs_f64()
}

fn median(pairs: &[(f64, f64)], of: impl Fn(&(f64, f64)) -> f64) -> f64 {
    let mut all: Vec<f64> = pairs.iter().map(of).collect();
    all.sort_by(f64::total_cmp);
    all[all.len() / 2]
}

fn code(code: &str, text: &str, system: CodeSystem) -> Code {
    Code { code: code.into(), text: text.into(), system }
}

fn observation(n: usize) -> Observation {
    let graded = n.is_multiple_of(2);
    let content = if graded {
        Content::Grade { code: code("GLU-2P", "2+", CodeSystem::Local), alternate: None }
    } else {
        let unit = Some(Unit { ucum: "mg/dL".into(), text: "mg/dL".into() });
        Content::Number { comparator: None, digits: "400".into(), unit }
    };
    let text = "Glucose [Presence] in Urine by Automated test strip";
    Observation {
        reading: n,
        code: code(&format!("505{n:02}-2"), text, CodeSystem::Loinc),
        local: code("GLU", "Glucose", CodeSystem::Local),
        content,
        flag: Some(Flag::A),
        reference: Some("Negative".into()),
    }
}

fn outgoing<'a>(
    specimen: &'a Private,
    operator: &'a Private,
    observations: &'a [Observation],
) -> Outgoing<'a> {
    let moment = |digits| Moment::from_digits(digits).expect("a time");
    Outgoing {
        control_id: "KP1-000417",
        made: moment("20260314091502+0100"),
        filler: "KP1-417",
        specimen,
        number: Some("57"),
        stat: false,
        collected: None,
        taken: Some(moment("20260314091420+0100")),
        heard: moment("20260314091425+0100"),
        operator: Some(operator),
        analyzer: "bench-1",
        equipment: None,
        urine: Urine::default(),
        patient: None,
        control: None,
        orders: &[],
        unordered: None,
        remarks: &[],
        observations,
    }
}

fn plain(layout: &Layout, out: &Outgoing<'_>) -> String {
    let mut text = String::with_capacity(4096);
    let (made, id, filler) = (out.made.digits(), out.control_id, out.filler);
    let taken = out.taken.map(|t| t.digits()).unwrap_or_default();
    let operator = out.operator.map_or("", Private::expose);
    let (panel, name) = (&layout.panel.code, &layout.panel.text);
    let (from, site) = (&layout.sending_application.name, &layout.sending_facility.name);
    let (to, place) = (&layout.receiving_application.name, &layout.receiving_facility.name);
    let _ = write!(
        text,
        "MSH|^~\\&|{from}|{site}|{to}|{place}|{made}||ORU^R01^ORU_R01|{id}|P|2.5.1\r\
         ORC|RE||{filler}^WICKLINE\r\
         OBR|1||{filler}^WICKLINE|{panel}^{name}^LN|||{taken}|||||||||||||{}||{made}|||F\r\
         TQ1|1||||||||R^Routine^HL70485\r",
        out.number.unwrap_or("")
    );
    for (n, o) in out.observations.iter().enumerate() {
        let kind = if matches!(o.content, Content::Grade { .. }) { "CE" } else { "NM" };
        let (code, name) = (&o.code.code, &o.code.text);
        let (local, short) = (&o.local.code, &o.local.text);
        let _ = write!(text, "OBX|{}|{kind}|{code}^{name}^LN^{local}^{short}^99WKL||", n + 1);
        let _ = match &o.content {
            Content::Grade { code, .. } => write!(text, "{}^{}^99WKL|", code.code, code.text),
            Content::Number { digits, unit: Some(unit), .. } => {
                write!(text, "{digits}|{}^{}^UCUM", unit.ucum, unit.text)
            }
            _ => Ok(()),
        };
        let (reference, flag) =
            (o.reference.as_deref().unwrap_or(""), o.flag.map_or("", |f| f.text()));
        let analyzer = out.analyzer;
        let _ = write!(text, "|{reference}|{flag}|||F|||||{operator}||{analyzer}|{taken}\r");
    }
    let _ =
        write!(text, "SPM|1|{}||UR^Urine^HL70487|||||||P^Patient^HL70369\r", out.specimen.expose());
    text
}
