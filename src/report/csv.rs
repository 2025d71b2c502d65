//! Tables as CSV (RFC 4180): comma, decimal point, CRLF, SI units in the header.

use super::{ReportError, check_finite};
use crate::record::layout::{
    BenchReading, Cell, Curves, LightCurve, LimitRecord, LoopCurve, PeriodCurve, QuantityRow, Record, StepCurve, Value,
};
use serde::Serialize;

/// Significant digits of a number in a table: a picosecond in a second's run stays visible.
const DIGITS: usize = 12;

/// One CSV file.
#[derive(Clone, Debug, PartialEq)]
pub struct CsvFile {
    /// Part.
    pub part: String,
    /// "period", "step", "start", "short", "light", "loop", or the name of a further condition, with that of its load.
    pub kind: String,
    /// Content.
    pub text: String,
}

/// The line before a header that tells of a value that was set.
pub fn remark(set: &str) -> String {
    format!("# set {set}")
}

/// A field of a table, in quotes where it needs them (RFC 4180).
pub fn field(text: &str) -> String {
    if text.contains(['"', ',', '\r', '\n']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text.to_string() }
}

/// The lines before the header of every table: what was set; none where nothing was.
pub(super) fn remarks(record: &Record) -> String {
    record.case.set.iter().map(|set| format!("{}\r\n", remark(set))).collect()
}

/// One file a part for the period and, where there are such curves, for step, start, short circuit, light load and loop gain.
///
/// # Errors
/// [`ReportError::NotFinite`] and [`ReportError::Ragged`] where a curve is damaged.
pub fn waveforms(curves: &Curves) -> Result<Vec<CsvFile>, ReportError> {
    let periods = curves
        .periods
        .iter()
        .map(|curve| Ok(CsvFile { part: curve.part.clone(), kind: "period".into(), text: period(curve)? }));
    let steps = curves
        .steps
        .iter()
        .map(|curve| Ok(CsvFile { part: curve.part.clone(), kind: "step".into(), text: step(curve)? }));
    let with_loop = curves.loops.iter().filter(|curve| !curve.frequency_hz.is_empty());
    let loops =
        with_loop.map(|curve| Ok(CsvFile { part: curve.part.clone(), kind: "loop".into(), text: loop_gain(curve)? }));
    let event = |kind: &'static str| {
        move |curve: &StepCurve| {
            let kind = if curve.load.is_empty() { kind.into() } else { format!("{kind} {}", curve.load) };
            Ok(CsvFile { part: curve.part.clone(), kind, text: step(curve)? })
        }
    };
    let (starts, shorts) = (curves.starts.iter().map(event("start")), curves.shorts.iter().map(event("short")));
    let light = curves
        .light
        .iter()
        .map(|curve| Ok(CsvFile { part: curve.part.clone(), kind: "light".into(), text: light(curve)? }));
    let others = curves.events.iter().map(|(condition, curve)| event(condition)(curve));
    periods.chain(steps).chain(starts).chain(shorts).chain(others).chain(light).chain(loops).collect()
}

/// One switching period; time ascends from the clock edge, two rows share a time where a waveform jumps.
///
/// # Errors
/// As [`waveforms`].
pub fn period(curve: &PeriodCurve) -> Result<String, ReportError> {
    table(
        &curve.part,
        &[
            ("time_s", &curve.time_s),
            ("current_a", &curve.current_a),
            ("output_v", &curve.output_v),
            ("output_20mhz_v", &curve.output_20mhz_v),
            ("switch_v", &curve.switch_v),
        ],
    )
}

/// Load step and release; low and high are the extremes in the interval that begins at the row's time.
///
/// # Errors
/// As [`waveforms`].
pub fn step(curve: &StepCurve) -> Result<String, ReportError> {
    table(
        &curve.part,
        &[
            ("time_s", &curve.time_s),
            ("output_low_v", &curve.output_low_v),
            ("output_high_v", &curve.output_high_v),
            ("current_low_a", &curve.current_low_a),
            ("current_high_a", &curve.current_high_a),
            ("load_a", &curve.load_a),
        ],
    )
}

/// Pulses towards light load.
///
/// # Errors
/// As [`waveforms`].
pub fn light(curve: &LightCurve) -> Result<String, ReportError> {
    let column = |pick: fn(&(f64, f64, f64)) -> f64| curve.points.iter().map(pick).collect::<Vec<f64>>();
    table(
        &curve.part,
        &[
            ("load_a", &column(|point| point.0)),
            ("pattern_hz", &column(|point| point.1)),
            ("ripple_20mhz_v", &column(|point| point.2)),
        ],
    )
}

/// Loop gain in the condition of the periods, the phase without jumps of a turn.
///
/// # Errors
/// As [`waveforms`].
pub fn loop_gain(curve: &LoopCurve) -> Result<String, ReportError> {
    table(
        &curve.part,
        &[("frequency_hz", &curve.frequency_hz), ("gain_db", &curve.gain_db), ("phase_deg", &curve.phase_deg)],
    )
}

fn table(part: &str, columns: &[(&str, &Vec<f64>)]) -> Result<String, ReportError> {
    let rows = columns.first().map_or(0, |(_, values)| values.len());
    for (_, values) in columns {
        if values.len() != rows {
            return Err(ReportError::Ragged { part: part.into(), first: rows, other: values.len() });
        }
    }
    let mut writer = writer();
    writer.write_record(columns.iter().map(|(name, _)| *name))?;
    for row in 0..rows {
        let mut fields = Vec::with_capacity(columns.len());
        for (name, values) in columns {
            fields.push(number(values[row]).ok_or_else(|| not_finite(part, name, row, values[row]))?);
        }
        writer.write_record(&fields)?;
    }
    finished(writer)
}

fn not_finite(part: &str, column: &str, row: usize, value: f64) -> ReportError {
    ReportError::NotFinite { place: format!("curve of {part}, {column}, row {}", row + 1), value: value.to_string() }
}

/// Shortest text that reads back as the value rounded to [`DIGITS`] digits; an exponent only where it is shorter to read.
pub(super) fn number(value: f64) -> Option<String> {
    if !value.is_finite() {
        return None;
    }
    let rounded: f64 = format!("{value:.*e}", DIGITS - 1).parse().ok()?;
    let plain = rounded == 0.0 || (1e-4..1e7).contains(&rounded.abs());
    Some(if plain { format!("{}", rounded + 0.0) } else { format!("{rounded:e}") })
}

/// One line of `quantities.csv`: one quantity of one part.
#[derive(Serialize)]
struct QuantityLine<'a> {
    quantity: &'a str,
    label: &'a str,
    unit: &'a str,
    part: &'a str,
    original: bool,
    value: Option<String>,
    value_is: Option<&'static str>,
    uncertainty: Option<String>,
    least: Option<String>,
    most: Option<String>,
    place: Option<&'a str>,
    limit: Option<String>,
    limit_side: Option<String>,
    limit_stated: Option<bool>,
    state: Option<String>,
    original_there: Option<String>,
}

/// The whole comparison, one line a quantity and part, all values in the SI unit of their line.
///
/// # Errors
/// [`ReportError::NotFinite`] where the record holds a number that is not finite.
pub fn quantities(record: &Record) -> Result<String, ReportError> {
    check_finite(&record.quantities)?;
    let mut writer = writer();
    for row in &record.quantities {
        for (part, cell) in record.parts.iter().zip(&row.cells) {
            writer.serialize(line(row, &part.name, part.original, cell.as_ref()))?;
        }
    }
    Ok(remarks(record) + &finished(writer)?)
}

fn line<'a>(row: &'a QuantityRow, part: &'a str, original: bool, cell: Option<&'a Cell>) -> QuantityLine<'a> {
    let value_of = |limit: &Option<LimitRecord>| limit.as_ref().and_then(|l| number(l.value));
    let side_of = |limit: &Option<LimitRecord>| limit.as_ref().map(|l| word(&l.side));
    let stated = |limit: &Option<LimitRecord>| limit.as_ref().map(|l| l.stated);
    // The limit by which the part was judged.
    let limit = cell.and_then(|c| c.own_limit).or(row.limit);
    QuantityLine {
        quantity: &row.quantity,
        label: &row.label,
        unit: &row.unit,
        part,
        original,
        value: cell.and_then(|c| c.value.number()).and_then(number),
        value_is: cell.map(|c| kind(&c.value)),
        uncertainty: cell.and_then(|c| number(c.uncertainty)),
        least: cell.and_then(|c| c.ends).and_then(|ends| number(ends.0)),
        most: cell.and_then(|c| c.ends).and_then(|ends| number(ends.1)),
        place: cell.map(|c| c.place.as_str()),
        limit: value_of(&limit),
        limit_side: side_of(&limit),
        limit_stated: stated(&limit),
        state: cell.and_then(|c| c.state.as_ref()).map(word),
        original_there: cell.and_then(|c| c.original.as_ref()?.number()).and_then(number),
    }
}

/// What a value is: a number, a bound, or none.
fn kind(value: &Value) -> &'static str {
    match value {
        Value::Number(_) => "number",
        Value::AtLeast(_) => "at-least",
        Value::AtMost(_) => "at-most",
        Value::NotComputed(_) => "not-computed",
    }
}

/// One line of `bench_plan.csv`: what one part should show in one reading.
#[derive(Serialize)]
struct PlanLine<'a> {
    /// Number of the proposed measurement; empty for the best reading of a quantity.
    measurement: Option<usize>,
    quantity: &'a str,
    label: &'a str,
    unit: &'a str,
    answer: Option<String>,
    condition: Option<&'a str>,
    input_v: Option<String>,
    load_a: Option<String>,
    part: Option<&'a str>,
    expected: Option<String>,
    uncertainty: Option<String>,
    from_original_in_resolutions: Option<String>,
    pairs_told_apart: Option<usize>,
    smallest_separation: Option<String>,
}

/// The bench plan: first the proposed measurements, then the best reading of every quantity, all values in the SI unit of their line.
///
/// # Errors
/// [`ReportError::NotFinite`] where the plan holds a number that is not finite.
pub fn bench_plan(record: &Record) -> Result<String, ReportError> {
    let plan = &record.bench_plan;
    check_finite(plan)?;
    let mut writer = writer();
    for (number, m) in plan.measurements.iter().enumerate() {
        let names = (m.quantity.as_str(), m.label.as_str(), m.unit.as_str());
        plan_lines(&mut writer, Some(number + 1), names, None, Some(&m.reading))?;
    }
    for line in &plan.lines {
        let names = (line.quantity.as_str(), line.label.as_str(), line.unit.as_str());
        plan_lines(&mut writer, None, names, Some(word(&line.answer)), line.reading.as_ref())?;
    }
    Ok(remarks(record) + &finished(writer)?)
}

fn plan_lines(
    writer: &mut csv::Writer<Vec<u8>>,
    measurement: Option<usize>,
    (quantity, label, unit): (&str, &str, &str),
    answer: Option<String>,
    reading: Option<&BenchReading>,
) -> Result<(), csv::Error> {
    let told = |reading: &BenchReading| reading.pairs.iter().filter(|pair| pair.told_apart).count();
    let empty = PlanLine {
        measurement,
        quantity,
        label,
        unit,
        answer,
        condition: reading.map(|reading| reading.condition.as_str()),
        input_v: reading.and_then(|reading| reading.input_v).and_then(number),
        load_a: reading.and_then(|reading| reading.load_a).and_then(number),
        part: None,
        expected: None,
        uncertainty: None,
        from_original_in_resolutions: None,
        pairs_told_apart: reading.map(told),
        smallest_separation: reading.and_then(|reading| number(reading.smallest_separation)),
    };
    let Some(reading) = reading else { return writer.serialize(empty) };
    for part in &reading.expected {
        writer.serialize(PlanLine {
            answer: empty.answer.clone(),
            input_v: empty.input_v.clone(),
            load_a: empty.load_a.clone(),
            smallest_separation: empty.smallest_separation.clone(),
            part: Some(&part.part),
            expected: number(part.value),
            uncertainty: number(part.uncertainty),
            from_original_in_resolutions: part.from_original.and_then(number),
            ..empty
        })?;
    }
    Ok(())
}

/// The word by which an enumeration goes in the record.
pub(super) fn word(value: &impl Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|v| v.as_str().map(String::from)).unwrap_or_default()
}

fn writer() -> csv::Writer<Vec<u8>> {
    csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new())
}

fn finished(writer: csv::Writer<Vec<u8>>) -> Result<String, ReportError> {
    let bytes = writer.into_inner().map_err(|e| csv::Error::from(e.into_error()))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}
