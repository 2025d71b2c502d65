//! The record as JSON, and its schema.

use crate::support;
use presolder::record::layout::{Record, Value, Why};
use presolder::report::json::{record as record_json, record_schema};

#[test]
fn law_the_record_reads_back_bit_for_bit() {
    let (mut record, _) = support::comparison(4);
    let values = &mut record.parts[2].results[1].values;
    values[0].value = Value::AtLeast(3.284e-3);
    values[1].value = Value::AtMost(0.71);
    values[2].value = Value::NotComputed(Why::Told("the energy book does not close".into()));
    let text = record_json(&record).expect("a finite record");
    assert_eq!(serde_json::from_str::<Record>(&text).expect("it reads back"), record);
    for told in ["\"at_least\":0.003284", "\"at_most\":0.71", "\"not_computed\":\"the energy book"] {
        assert!(text.contains(told), "{told}");
    }
}

/// Where it is, what it is, and how it gets there.
type Damage = (&'static str, &'static str, fn(&mut Record));

#[test]
fn error_a_number_that_is_not_finite_is_refused_with_its_place() {
    let damages: [Damage; 4] = [
        ("quantities / cells / value (of dip)", "NaN", |r| {
            r.quantities[2].cells[1].as_mut().expect("a cell").value = Value::Number(f64::NAN)
        }),
        ("verdicts / checks / margin_in_u", "inf", |r| r.verdicts[0].checks[0].margin_in_u = Some(f64::INFINITY)),
        ("parts / results / winding_degc", "-inf", |r| r.parts[1].results[3].winding_degc = Some(f64::NEG_INFINITY)),
        ("energy_book / worst_residual", "NaN", |r| r.energy_book.worst_residual = f64::NAN),
    ];
    for (place, value, damage) in damages {
        let (mut record, _) = support::comparison(2);
        damage(&mut record);
        let error = record_json(&record).expect_err("it must be refused").to_string();
        assert!(error.contains(place) && error.contains(value), "{error} does not name {place} and {value}");
    }
}

#[test]
fn law_a_text_that_reads_like_a_bad_number_is_no_number() {
    let (mut record, _) = support::comparison(2);
    record.warnings.push("value: NaN,\n    inf,".into());
    record.parts[0].name = "NaN".into();
    assert!(record_json(&record).is_ok());
}

#[test]
fn frozen_schema_is_in_step_with_the_record() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/record.schema.json");
    if std::env::var_os("PRESOLDER_FREEZE").is_some() {
        std::fs::write(path, record_schema()).expect("the schema can be written");
    }
    let kept = std::fs::read_to_string(path).expect("the schema is there");
    assert_eq!(kept.replace("\r\n", "\n"), record_schema(), "set PRESOLDER_FREEZE to write the new schema");
}
