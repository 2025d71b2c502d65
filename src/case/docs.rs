//! The documentation of the case format and its JSON Schema, both generated from the table of keys.

use std::fmt::Write;

use serde_json::{Map, Value, json};

use super::keys::{BOARD, Key, Kind, Need, ORIGINS, PART, RULES, children};
use super::walk::range_text;
use crate::model::doubt::{self, Absent, For, Owner, Place, Rule, Typical};
use crate::parts::{CapacitorKind, CoreFamily};
use crate::units::{Dimension, show};

const INTRODUCTION: &str = r#"# The format of a case

This file is generated from the table of keys in `src/case/keys.rs`.

A case is a folder with the board in `board.toml` (TOML 1.0) and the parts in `parts.toml`, in `parts.csv`, or in both.
All files are UTF-8; UTF-16 with a byte order mark is read as well. Names of files are relative to the folder.

## Quantities

A quantity is a text of a decimal number and a unit: `"44 mohm"`, `"4.7 uH"`, `"1 A/us"`, `"60 degC"`. The space may be
left out. Prefixes are p n u m k M G, and µ for u; ohm may be written Ω, degC as °C. Upper and lower case matter. Decimals
have a point, digits no separators. Percentages are written as such (`"20 %"`, for a tolerance also `"±20 %"`); a difference
of two percentages is in `points`; true ratios are plain numbers. A quantity without its unit is refused.

Wherever a quantity stands in a TOML file, a table may stand instead that says where the datum comes from:

    dcr_max = { value = "50 mohm", origin = "guaranteed", note = "data sheet, issue 3" }

The origin is one of ORIGINS. Beside a measured value `uncertainty = "3 %"` may state its standard
uncertainty as a share of the value. What holds where a datum is absent, and how far a typical one is trusted, stands in
[missing-data.md](missing-data.md). Defaults that were taken are listed with the results as assumed, values that were
derived as estimated. An unknown key is an error.

## Parts as a table

`parts.csv` has one part a line; the header names the keys of a part, with the unit of the column in brackets where the
cells have none: `dcr_typical [mohm]`. A cell may have a unit of its own. Columns are separated by commas, semicolons or
tabs, as the header is. An empty cell is a key that is not given. Lines that begin with `#` are remarks. Where a key is a
list, semicolons inside the cell separate its items.

A table with other titles, or in another kind of file, is read as well: [parts-tables.md](parts-tables.md).

## Saturation curves

A curve is the incremental inductance against current from 0 A on, current ascending, inductance not rising, one curve a
temperature. It stands in place (`saturation`, in `parts.toml`), or in CSV files (`saturation_files`) with the columns
`current [A]` and `inductance [uH]`. The inductance may be in `%` of the nominal one. The temperature follows the name of
the file after an `@`, or is a column `temperature [degC]`; a file may then hold several curves.

Without a curve, it is estimated as L0 from the ratings, with the stated drop d at the rated current Is and the knee that
`saturation_knee` states.
All points are listed as estimated. Up to 3 Is, in 25 points:

- soft (metal composite, iron powder): L0 / (1 + d / (1 - d) (i / Is)^2)
- hard (gapped ferrite): L0 (0.1 + 0.9 / (1 + d / (0.9 - d) (i / Is)^10))

A rating without its percentage is refused.

## Values set for one run

`--set KEY=VALUE`, several times, puts a value in place of one of the case for this run alone; the files stay as they are:

    presolder compare cases/valve-controller --set load.step.to="2.8 A" --set output.capacitors[0].count=4

The key is the path of the tables below, with points between. An entry of a list goes by its number from 0 or by its name:
`output.capacitors[0].count`, `output.capacitors.ceramic.count`; the number behind the last entry adds one. A datum of a part is
`parts.NAME.inductance`, in whatever kind of file the part stands; a house rule is `rules.winding_margin`. The value is written
as in a file; quotation marks around a text or a quantity may be left out, and so may the brackets of a list of quantities
(`input.voltages="20 V, 24 V"`). It takes the place of the whole datum: an origin, note or uncertainty goes with the former value
unless it is given again, `'load.step.to={ value = "2.8 A", origin = "measured" }'`.

Every check of the reader applies; a message has the argument in place of file and line. What was set stands in the head of every
output, and in the record, whose hash of the inputs covers it.
"#;

const HOUSE_RULES: &str = "
## Keys of the house rules

The company's own deratings stand in a file of their own (TOML), which the key `rules` of `board.toml` names; several cases may name
the same. A part is held to each rule that the file states as to any limit, and what the original does excuses nothing. Without a file
nothing of this is asked: less than 70 % (hard knee) or 50 % (soft knee) of the inductance left at the current limit or in a short
circuit, where the original keeps more, is then listed under the changes to accept.
";

/// Text of `docs/case-format.md`.
pub fn format_text() -> String {
    let mut text = INTRODUCTION.replace("ORIGINS", &ORIGINS.join(", "));
    text += "\n## Keys of `board.toml`\n";
    section(&mut text, BOARD, "");
    text += "\n## Keys of a part\n\nAn entry `[[part]]` in `parts.toml`, or a line in `parts.csv`.\n";
    section(&mut text, PART, "");
    text += HOUSE_RULES;
    section(&mut text, RULES, "");
    text
}

/// One table for the keys of a table, then its tables.
fn section(text: &mut String, keys: &'static [Key], parent: &'static str) {
    let (tables, plain): (Vec<&Key>, Vec<&Key>) =
        children(keys, parent).partition(|k| matches!(k.kind, Kind::Table | Kind::Tables));
    if !plain.is_empty() {
        *text += "\n| key | meaning | value | if absent | example |\n|---|---|---|---|---|\n";
    }
    for key in plain {
        let only =
            if key.only.is_empty() { String::new() } else { format!(" Only with kind {}.", key.only.join(", ")) };
        let _ = writeln!(
            text,
            "| `{}` | {}{only} | {} | {} | `{}` |",
            key.name(),
            key.text,
            value_text(key),
            absent_text(key),
            key.example
        );
    }
    for key in tables {
        let path = if keys[0].path == PART[0].path { format!("part.{}", key.path) } else { key.path.to_string() };
        let heading = if key.kind == Kind::Tables { format!("[[{path}]]") } else { format!("[{path}]") };
        let absent = match key.need {
            Need::Default(_, _) => "May be absent: the defaults below hold.".to_string(),
            Need::Required => "Required.".to_string(),
            _ => format!("May be absent: {}.", absent_text(key)),
        };
        let _ = writeln!(text, "\n### `{heading}`\n\n{} {absent}", key.text);
        section(text, keys, key.path);
    }
}

fn value_text(key: &Key) -> String {
    let range = |d: Dimension| range_text(key.range, d);
    match key.kind {
        Kind::Quantity(d) => format!("{}, {}", d.name(), range(d)),
        Kind::Quantities(d) => format!("list of {}s, {}", d.name(), range(d)),
        Kind::Text => "text".into(),
        Kind::Choice(words) => format!("`{}`", words.join("`, `")),
        Kind::Flag => "`true`, `false`".into(),
        Kind::Count => format!("whole number from {} to {}", key.range.0, key.range.1),
        Kind::Texts => "list of texts".into(),
        Kind::Rows => "rows of numbers".into(),
        Kind::Pairs => "table of texts".into(),
        Kind::Table | Kind::Tables => "table".into(),
    }
}

fn absent_text(key: &Key) -> String {
    match key.need {
        Need::Required => "required".into(),
        Need::Optional(meaning) => meaning.into(),
        Need::Default(value, reason) => format!("{value} ({reason})"),
        Need::Derived(rule) => format!("derived: {rule}"),
        Need::Ruled => ruled_text(key.path),
    }
}

/// What the table of missing data has for a key.
fn ruled_text(path: &str) -> String {
    let rows = doubt::rules().filter(|rule| rule.key == path && !rule.is_factor);
    let text = |(rule, absent): (&Rule, Absent)| {
        let per = if rule.base.text.is_empty() { String::new() } else { format!(" x {}", rule.base.text) };
        let number = |value: f64| number_text(rule, value);
        let range = match absent.low == absent.high {
            true => String::new(),
            false => format!(", between {} and {}", number(absent.low), number(absent.high)),
        };
        format!("{}{}{per}{range}", words_before(rule.holds_for), number(absent.shown))
    };
    let texts: Vec<String> = rows.filter_map(|rule| Some(text((rule, rule.absent?)))).collect();
    format!("{} (missing-data.md)", texts.join("; "))
}

const MISSING: &str = r#"# Data that nobody printed, and data that are only typical

This file is generated from the table in `src/model/doubt.rs`; results are made from that same table.

A missing datum is never a benefit. Where a key is absent, the simulation runs with the value shown here, and a limit counts as
met only if it is met with every absent datum at its adverse end. The origin of a datum decides what is doubtful about it:

- *absent* (no key), *estimated*, *assumed*: it lies between two ends; around a value that is stated they are laid in proportion.
- *typical*, or no origin: a rectangular spread, whose half width is the column "if typical"; the standard uncertainty is that over
  the root of 3.
- *measured*: the standard uncertainty that `uncertainty` states as a share of the value, else 2 %.
- *guaranteed*: no doubt; what differs from unit to unit is a corner.

What has no row here is asked for and never guessed: inductance, the drop that belongs to a saturation current, units. Without a curve
and without a rating nothing can be said of any current. Common doubts are those of the board, the same for original and substitute;
own ones belong to each part. A factor is multiplied on the datum. Values are those of a whole branch where capacitors are in parallel.
"#;

const TABLES: &str = r#"# Tables of parts as they come

This file is generated; the words that are understood stand in `src/case/table/words.rs`.

A purchasing list, or a table copied from a maker's page, is read as it is: CSV, tabs, semicolons, XLSX or ODS, in UTF-8, UTF-16 or
Windows-1252. Put it into the case folder as `parts.csv`, or name it in `board.toml`:

    [parts]
    table = "inductors.xlsx"

Where there is neither `parts.toml` nor `parts.csv`, `parts.xlsx`, `parts.ods` or `parts.tsv` is read without being named. The original
may stand in the table or, with its curves, in `parts.toml`; of a part that stands in both, `parts.toml` counts. A table in the folder
that is not read is mentioned. A `parts.csv` whose titles are the keys of the case format is read by its rules
([case-format.md](case-format.md)).

## What is read

- The header is the line in which most titles are understood; titles, dates and remarks may stand above it. Units, conditions and
  qualifiers may stand in one or two lines below. Columns may have any order; one that is not understood is not used, and listed.
- The unit stands in the title in any usual way (`L [uH]`, `Inductance (µH)`, `DCR max/mOhm`, `Isat 30% A`), in a line below the title,
  in a column `Unit` behind the value, or in the cell (`31 mOhm`, `4u7`, `2R2`, `10 uH ±20 %`). The unit of a cell counts before that
  of the title. Lengths may be in inches or mils.
- A saturation current needs its drop, a heating current its rise, in the title or in a column. Of several drops 30 % is taken, else
  the one next to it; of several rises 40 K. A saturation current above 60 degC is the hot one.
- `typ. 12 / max. 14` is both winding resistances, `12 / 14` too where the title says `typ/max`. A size is `7.3 x 6.8 x 4.8`: length
  along the terminals, width, height, taken as the largest. Of a range of temperatures the upper end counts.
- `n/a`, `-`, `tbd` and an empty cell say nothing. A tolerance may be a letter: J 5 %, K 10 %, M 20 %, N 30 % (IEC 60062).
- A bound is a value only where the datum is a bound itself: `>9` for a self-resonance or a rated voltage, `<14` for the largest
  winding resistance, `<8` for a dimension.
- A comma or point is a decimal mark or groups thousands as the other cells of its column show. `1,000` alone does not show it.
- Numbers of a workbook are numbers. Hidden columns and hidden sheets are not read; hidden lines are. Merged cells of a header
  reach over their columns; a text file keeps only the first of them.
- A part that stands twice with the same values counts once.
- `presolder screen` also reads what parts are offered for, next section; no other command asks about those columns.

## Prices and stocks

- A price is that of one piece, in the currency of the title, of a column `Currency` beside it or of the cell: `Price [EUR]`, `Stückpreis €`, `0,42 €`,
  `USD 1,234.50`, `5,- CHF`. `EUR/100` in title or cell, or a column `PE` with the number of pieces, divides it. Currencies are not converted; `$` and `¥`
  stand for several and stay what they are. A price of 0 is none.
- A stock is a number of pieces: `12.400`, `1,200 pcs`, `ausverkauft`; `>1000` and `1000+` are at least that many.
- Quantity breaks are not read: of several columns of prices you say which one counts.
- A cell that is no price or no stock (`on request`, `yes`) counts as not stated, and is mentioned. It never leaves a line out.
- A part that stands in several lines or lists has several offers.

## What is asked

What is not certain is asked once, as one block to add to `board.toml`; put the answer in place of each `?`:

    [parts]
    decimal = "comma"                                 # or "point"
    sheets = ["Shielded", "Moulded"]                  # where several sheets are lists
    header = 4                                        # line of the header, where another one was taken

    [parts.columns]                                   # by title, or as "column F"
    "Isat [A]" = "saturation_current at 30 %"         # key, and what the title leaves open
    "Isat hot" = "saturation_current [A] at 30 %, 100 degC"
    "L" = "inductance [uH]"
    "Tolerance" = "tolerance [1]"                     # 0.2 means 20 %
    "Rdc" = "dcr_max"
    "Old value" = "-"                                 # leaves it out

    [parts.all]                                       # what holds for every part that says nothing of it
    core = "composite"

    [parts.lines]                                     # which line counts for a part with different values
    "Teal-10" = 14

Asked about are: a column without any unit; a saturation current without its drop, a heating current without its rise; a rated current;
a winding resistance of which nobody says whether it is typical or largest; a number whose mark can be read in two ways; a tolerance
of 1 % or less, which may be a share; two columns for one datum that differ; a title that goes on from a merged cell; words in
a title that may change its meaning; several lists in one workbook; a part that stands twice with different values; a winding resistance that no column has; a core that no
line names. For a screening also: a price without any currency; a title of a price with a number in it, which may be a quantity break or the number of pieces; two
columns of prices; a column of quantities, which may be the stock; a stock such as `12,000` in a column that does not show what its mark is.

## What is left out

A line that cannot be read with certainty is left out as a whole, since a part without an unwelcome datum would look better than it is.
Ten such lines are listed with the reason, the others counted. A line of one cell is a remark; a line `Total`, `Average` and the like is no part.

## What is refused

A file that is not what its ending says, a web page, a PDF file, a picture, an old binary or locked workbook; a table without a column for the
inductance; a second header below the first; cells separated by commas where a line has too many of them, since its numbers may have decimal
commas.

## Titles that are understood

Upper and lower case do not matter. Beside these, the keys of a part with spaces or underscores, such as `saturation current`.

| meaning | titles |
|---|---|
"#;

/// Text of `docs/parts-tables.md`.
pub fn tables_text() -> String {
    let row = |(meaning, titles): (&str, &[&str])| format!("| {meaning} | {} |\n", titles.join(", "));
    TABLES.to_string() + &super::table::documented().into_iter().map(row).collect::<String>()
}

const MODEL_SHARES: &str = r#"
## The core-loss model's own share

It depends on the waveform and holds for every part whose data are without bias; rectangular, no ends.

| what | factor on the loss |
|---|---|
| ferrite; flux linkage at the mean current below 0.3 of that at the 30 % drop | 0.9 to 1.3 |
| ferrite; from 0.3 to 0.6 | 1.0 to 2.0 |
| ferrite; above | 1.2 to 3.0 |
| composite, iron powder | 0.9 to 1.4; to 1.8 where the inductance is down by more than 15 % |
| duty away from one half | 0.95 to 1.05, upwards growing to 1.17 at a duty of 0.2 or 0.8 |
"#;

/// Text of `docs/missing-data.md`.
pub fn missing_text() -> String {
    let mut text = MISSING.to_string();
    let groups = [
        ("Inductor", Place::Part),
        ("Board", Place::Board),
        ("Output capacitors", Place::OutputBank),
        ("Input capacitors", Place::InputBank),
    ];
    for (name, place) in groups {
        let _ = writeln!(
            text,
            "\n## {name}\n\n| key | datum | for | shown if absent | ends if absent | if typical | whose | from | how to get it |"
        );
        let _ = writeln!(text, "|---|---|---|---|---|---|---|---|---|");
        doubt::rules().filter(|rule| rule.place == place).for_each(|rule| text += &rule_row(rule));
    }
    text + MODEL_SHARES
}

fn rule_row(rule: &Rule) -> String {
    let (shown, ends) = match rule.absent {
        None => ("asked for".to_string(), String::new()),
        Some(absent) if absent.low == absent.high => (scaled(rule, absent.shown), "the same".into()),
        Some(absent) => (
            scaled(rule, absent.shown),
            format!("{} to {}{}", number_text(rule, absent.low), scaled(rule, absent.high), most(rule)),
        ),
    };
    let (shown, ends) = if rule.is_feature { ("without".into(), "without and with".into()) } else { (shown, ends) };
    let shown = if rule.absent.is_none() && rule.is_factor { "1".into() } else { shown };
    let whose = if rule.owner == Owner::Board { "common" } else { "own" };
    let cells = [
        format!("`{}`", rule.key),
        rule.label.into(),
        words_for(rule.holds_for).into(),
        shown,
        ends,
        typical_text(rule),
        whose.into(),
        rule.source.into(),
        rule.ask.into(),
    ];
    format!("| {} |\n", cells.join(" | "))
}

/// A number of a row with what it is multiplied by.
fn scaled(rule: &Rule, number: f64) -> String {
    let number = number_text(rule, number);
    if rule.base.text.is_empty() { number } else { format!("{number} x {}", rule.base.text) }
}

/// A number of a row: plain where what it is multiplied by has the unit.
fn number_text(rule: &Rule, number: f64) -> String {
    show(number, if rule.base.has_unit { Dimension::Number } else { rule.unit })
}

fn most(rule: &Rule) -> String {
    rule.most.map_or(String::new(), |most| format!(", at most {}", most.text))
}

fn typical_text(rule: &Rule) -> String {
    let percent = |share: f64| show(share, Dimension::Fraction);
    match rule.typical {
        Typical::AsPrinted => "as printed".into(),
        Typical::Share(share) => percent(share),
        Typical::Width(width) => show(width, rule.unit),
        Typical::Standard(share) => format!("standard uncertainty {}", percent(share)),
        Typical::Ends(low, high) => format!("ends x {low} and x {high}"),
        Typical::Stated(_) => "`core_loss_tolerance`".into(),
    }
}

/// What a row holds for, before its numbers.
fn words_before(holds_for: For) -> String {
    match holds_for {
        For::All => String::new(),
        some => format!("{}: ", words_for(some)),
    }
}

fn words_for(holds_for: For) -> &'static str {
    match holds_for {
        For::All => "",
        For::Core(CoreFamily::Ferrite) => "ferrite",
        For::Core(CoreFamily::Composite) => "composite",
        For::Core(CoreFamily::IronPowder) => "iron powder",
        For::Powder => "composite and iron powder",
        For::Capacitor(CapacitorKind::Ceramic) => "ceramic",
        For::Capacitor(CapacitorKind::Polymer) => "polymer",
        For::Capacitor(CapacitorKind::Electrolytic) => "electrolytic",
    }
}

/// Text of `docs/case.schema.json` (JSON Schema, draft 2020-12), for editors: a board or a parts file after conversion to JSON.
pub fn schema_text() -> String {
    let part_list = json!({ "type": "array", "items": { "$ref": "#/$defs/part" }, "minItems": 1 });
    let schema = json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "A case: board.toml or parts.toml, or house rules",
        "anyOf": [{ "$ref": "#/$defs/board" }, { "$ref": "#/$defs/parts" }, { "$ref": "#/$defs/rules" }],
        "$defs": {
            "board": table_schema(BOARD, ""),
            "parts": { "type": "object", "properties": { "part": part_list }, "required": ["part"], "additionalProperties": false },
            "part": table_schema(PART, ""),
            "rules": house_rules_schema(),
            "quantity": { "type": "string", "pattern": "^\\s*(\\+/?-|±)?\\s*[-+]?[0-9]*\\.?[0-9]*([eE][-+]?[0-9]+)?\\s*\\S.*$" },
            "origin": { "enum": ORIGINS },
        },
    });
    serde_json::to_string_pretty(&schema).unwrap_or_default() + "\n"
}

/// At least one rule.
fn house_rules_schema() -> Value {
    let mut schema = table_schema(RULES, "");
    schema["minProperties"] = json!(1);
    schema
}

fn table_schema(keys: &'static [Key], parent: &'static str) -> Value {
    let mut properties = Map::new();
    let mut required = Vec::new();
    let mut conditions: Vec<Value> = Vec::new();
    for key in children(keys, parent) {
        properties.insert(key.name().to_string(), key_schema(keys, key));
        if key.need == Need::Required && key.only.is_empty() {
            required.push(key.name());
        }
        if !key.only.is_empty() {
            let with_kind = json!({ "properties": { "kind": { "enum": key.only } } });
            let name = key.name();
            let then = if key.need == Need::Required { json!({ "required": [name] }) } else { json!(true) };
            conditions.push(json!({ "if": with_kind, "then": then, "else": { "not": { "required": [name] } } }));
        }
    }
    let mut schema =
        json!({ "type": "object", "properties": properties, "required": required, "additionalProperties": false });
    if !conditions.is_empty() {
        schema["allOf"] = Value::Array(conditions);
    }
    schema
}

fn key_schema(keys: &'static [Key], key: &'static Key) -> Value {
    let mut schema = match key.kind {
        Kind::Quantity(d) => quantity_schema(d),
        Kind::Quantities(_) => json!({ "type": "array", "items": { "$ref": "#/$defs/quantity" }, "minItems": 1 }),
        Kind::Text => json!({ "type": "string", "minLength": 1 }),
        Kind::Choice(words) => json!({ "enum": words }),
        Kind::Flag => json!({ "type": "boolean" }),
        Kind::Count => json!({ "type": "integer", "minimum": key.range.0 as i64, "maximum": key.range.1 as i64 }),
        Kind::Texts => json!({ "type": ["array", "string", "number"], "items": { "type": ["string", "number"] } }),
        Kind::Rows => {
            json!({ "type": "array", "items": { "type": "array", "items": { "type": ["number", "string"] } } })
        }
        Kind::Pairs => json!({ "type": "object", "additionalProperties": { "type": ["string", "number"] } }),
        Kind::Table => table_schema(keys, key.path),
        Kind::Tables => json!({ "type": "array", "items": table_schema(keys, key.path), "minItems": 1 }),
    };
    let value = match key.kind {
        Kind::Table | Kind::Tables => String::new(),
        _ => format!(" Value: {}.", value_text(key)),
    };
    let absent = match (key.need, key.kind) {
        (Need::Required, _) | (Need::Default(_, _), Kind::Table) => String::new(),
        _ => format!(" If absent: {}.", absent_text(key)),
    };
    schema["description"] = json!(format!("{}{value}{absent}", key.text));
    schema
}

/// A text with unit, for true ratios and plain numbers also a number, or a table with value, origin and note.
fn quantity_schema(d: Dimension) -> Value {
    let text = json!({ "$ref": "#/$defs/quantity" });
    let plain = match d {
        Dimension::Number | Dimension::Ratio => json!({ "anyOf": [text, { "type": "number" }] }),
        _ => text,
    };
    let properties = json!({ "value": plain, "origin": { "$ref": "#/$defs/origin" }, "note": { "type": "string" },
        "uncertainty": { "$ref": "#/$defs/quantity" } });
    let datum =
        json!({ "type": "object", "properties": properties, "required": ["value"], "additionalProperties": false });
    json!({ "anyOf": [plain, datum] })
}
