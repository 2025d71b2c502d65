//! What each column of a table is. Where that is not certain, a question and no value.

use super::answers::{Answers, LEAVE, Question, Section, same};
use super::cell::{self, Cell, Unread};
use super::file::Grid;
use super::header::{Header, letters};
use super::number::Marks;
use super::offer;
use super::title::{self, Title};
use super::words::{self, Qualifier, Word};
use super::{dimension_of, key_named};
use crate::case::keys::Key;
use crate::units::Dimension;
use std::cell::OnceCell;

/// What is done with the cells of a column.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Role {
    /// They are values of a key.
    Key(&'static Key),
    /// They are winding resistances that say themselves whether they are typical or largest; of two, the first is typical.
    Resistances,
    /// They are lengths, widths and heights.
    Size,
    /// They are ranges of temperatures.
    Temperatures,
    /// They are prices.
    Price,
    /// They are numbers of pieces for which the price of the line holds.
    PiecesOfPrice,
    /// They are numbers of pieces in stock.
    Stock,
    /// They are not read.
    Unused,
}

/// A column of a table.
#[derive(Clone, Debug)]
pub struct Column {
    /// Its place, from 0.
    pub index: usize,
    /// Its title as people see it.
    pub title: String,
    /// What it is.
    pub role: Role,
    /// Unit of its cells as it is written, where the title has it.
    pub unit: Option<String>,
    /// Marks of its numbers.
    pub marks: Marks,
    /// Whether the order typical, largest is that of the title.
    pub in_order: bool,
    /// What its title says beside its meaning.
    pub said: Title,
    /// Whether the spreadsheet does not show it, and nobody has said what it is.
    pub hidden: bool,
    /// What somebody has said that it is.
    answer: Option<String>,
    survey: Survey,
    /// What its unit stands for; looked up once, since every line asks.
    known: OnceCell<Option<words::Unit>>,
}

/// What the cells of a column have in common.
#[derive(Clone, Debug, Default)]
struct Survey {
    /// Cells that are not empty.
    filled: usize,
    /// A number without unit.
    bare: Option<String>,
    /// Whether some number has a unit of its own.
    united: bool,
    /// A number whose mark may be read in two ways.
    either: Option<String>,
    /// A share that a title calls a percentage, or the other way round.
    small: Option<String>,
    /// A winding resistance of which nobody says whether it is typical or largest.
    unqualified: bool,
    /// Cells that name the family of a core.
    families: usize,
    /// A cell of a core that says something else.
    no_family: Option<String>,
}

/// All columns of a table; adds what is not certain to the questions.
pub fn resolve(grid: &Grid, header: &Header, answers: &Answers, questions: &mut Vec<Question>) -> Vec<Column> {
    let mut columns: Vec<Column> = (0..header.titles.len()).map(|i| column(grid, header, answers, i)).collect();
    for column in &mut columns {
        column.look(grid, header, answers);
    }
    settle_value(&mut columns);
    leave_out_copies(&mut columns, grid, header);
    leave_out_inches(&mut columns);
    leave_out_parts_of(&mut columns, answers, &["body_length", "body_width", "body_height"]);
    leave_out_parts_of(&mut columns, answers, &["terminal_length", "terminal_width", "terminal_gap"]);
    choose_name(&mut columns);
    choose_rating(&mut columns, "saturation_current", 30.0, |said| said.drop.as_deref());
    choose_rating(&mut columns, "hot_saturation_current", 30.0, |said| said.drop.as_deref());
    same_drop(&mut columns);
    choose_rating(&mut columns, "heating_current", 40.0, |said| said.rise.as_deref());
    let asked: Vec<Question> = columns.iter().filter_map(|column| column.doubt(&columns, header, answers)).collect();
    questions.extend(asked);
    questions.extend(decimal_question(&columns, answers));
    questions.extend(missing(&columns, answers));
    columns
}

/// A column by its title, or by what somebody has said of it.
fn column(grid: &Grid, header: &Header, answers: &Answers, index: usize) -> Column {
    let title = header.titles[index].clone();
    let own = title::read(&title);
    let answer = answers.column(&letters(index), &title).map(str::to_string);
    let hidden = answer.is_none() && grid.hidden.contains(&index);
    let said = match answer.as_deref() {
        Some(LEAVE) => Title::default(),
        Some(answer) => joined(title::read(answer), &own),
        None if hidden => Title::default(),
        None => own,
    };
    let role = role_of(&said, answers.offers);
    let unit = said.unit.clone();
    let marks = answers.decimal.map_or_else(Marks::default, Marks::stated);
    let in_order = said.qualifiers == [Qualifier::Typical, Qualifier::Largest];
    Column {
        index,
        title,
        role,
        unit,
        marks,
        in_order,
        said,
        hidden,
        answer,
        survey: Survey::default(),
        known: OnceCell::new(),
    }
}

/// An answer, with what it leaves out taken from the title.
fn joined(mut answer: Title, own: &Title) -> Title {
    let or = |mine: &mut Option<String>, other: &Option<String>| {
        if mine.is_none() {
            mine.clone_from(other);
        }
    };
    or(&mut answer.unit, &own.unit);
    or(&mut answer.drop, &own.drop);
    or(&mut answer.rise, &own.rise);
    or(&mut answer.temperature, &own.temperature);
    or(&mut answer.tolerance, &own.tolerance);
    answer
}

fn role_of(said: &Title, offers: bool) -> Role {
    let key = |name: &str| key_named(name).map_or(Role::Unused, Role::Key);
    let is_hot = said.temperature.as_deref().and_then(leading_number).is_some_and(|degc| degc > HOT_DEGC);
    match said.word {
        Some(Word::Key("saturation_current")) if is_hot => key("hot_saturation_current"),
        Some(Word::Key(name)) => key(name),
        Some(Word::PerhapsName) => key("name"),
        Some(Word::Resistance) => match said.qualifiers.as_slice() {
            [Qualifier::Typical] => key("dcr_typical"),
            [Qualifier::Largest] => key("dcr_max"),
            _ => Role::Resistances,
        },
        Some(Word::SomeCurrent) if said.drop.is_some() => key("saturation_current"),
        Some(Word::SomeCurrent) if said.rise.is_some() => key("heating_current"),
        Some(Word::Size) => Role::Size,
        Some(Word::TemperatureRange) => Role::Temperatures,
        Some(Word::Price) if offers => Role::Price,
        Some(Word::PiecesOfPrice) if offers => Role::PiecesOfPrice,
        Some(Word::Stock) if offers => Role::Stock,
        _ => Role::Unused,
    }
}

/// A saturation current above this temperature is one of a hot core.
const HOT_DEGC: f64 = 60.0;

/// The number at the begin of a condition: 30 of "30 %".
fn leading_number(condition: &str) -> Option<f64> {
    condition.split(' ').next()?.parse().ok()
}

impl Column {
    /// The key whose values its cells are.
    pub fn key(&self) -> Option<&'static Key> {
        if let Role::Key(key) = self.role { Some(key) } else { None }
    }

    fn is(&self, name: &str) -> bool {
        self.key().is_some_and(|key| key.path == name)
    }

    /// What its numbers measure; `None` for columns of text.
    pub fn dimension(&self) -> Option<Dimension> {
        match self.role {
            Role::Key(key) => dimension_of(key),
            Role::Resistances => Some(Dimension::Resistance),
            Role::Size => Some(Dimension::Length),
            Role::Temperatures => Some(Dimension::Temperature),
            Role::Unused if self.said.word == Some(Word::Value) => Some(Dimension::Inductance),
            Role::Price | Role::PiecesOfPrice | Role::Stock | Role::Unused => None,
        }
    }

    /// Whether its cells are read as numbers.
    fn has_numbers(&self) -> bool {
        self.dimension().is_some() || matches!(self.role, Role::Price | Role::PiecesOfPrice | Role::Stock)
    }

    /// What it is, for people; empty where that needs no word.
    fn meaning(&self) -> &'static str {
        match self.role {
            Role::Key(key) => key.path,
            Role::Price => "price",
            Role::PiecesOfPrice => "the number of pieces of a price",
            Role::Stock => "stock",
            _ => "",
        }
    }

    /// What the unit of its title stands for, among those of what its numbers measure.
    pub fn known_unit(&self, dimension: Dimension) -> Option<&words::Unit> {
        self.known.get_or_init(|| words::unit(self.unit.as_deref().unwrap_or(""), dimension)).as_ref()
    }

    /// Its name in `[parts.columns]`: the title, or the letter where titles are alike or left over from merged cells.
    fn name(&self, header: &Header) -> String {
        let alike = header.titles.iter().filter(|title| same(title, &self.title)).count() > 1;
        if alike || self.title.is_empty() || self.said.fragment {
            format!("column {}", letters(self.index))
        } else {
            self.title.clone()
        }
    }

    /// Looks through its cells.
    fn look(&mut self, grid: &Grid, header: &Header, answers: &Answers) {
        let cells =
            || grid.lines[header.body..].iter().map(|line| line.cell(self.index)).filter(|cell| !cell.is_empty());
        let mut survey = Survey { filled: cells().count(), ..Survey::default() };
        if self.is("core") {
            let (families, others): (Vec<_>, Vec<_>) = cells().partition(|cell| words::core(&cell.text()).is_some());
            survey.families = families.len();
            survey.no_family = others.into_iter().map(Cell::text).find(|text| !words::is_nothing(text));
        }
        if self.has_numbers() {
            let mut marks = self.marks;
            if answers.decimal.is_none() {
                let texts = cells().filter_map(|cell| if let Cell::Text(text) = cell { Some(text) } else { None });
                let mut unmarked = false;
                for number in texts.flat_map(|text| cell::numbers(text)) {
                    marks.see(&number);
                    unmarked |= !number.contains(['.', ',']);
                }
                if unmarked && matches!(self.role, Role::Stock | Role::PiecesOfPrice) {
                    marks.see_whole();
                }
            }
            cells().for_each(|cell| survey.see(cell, self, &marks));
            self.marks = marks;
        }
        self.survey = survey;
    }

    /// What is not certain about it, as a question.
    fn doubt(&self, all: &[Column], header: &Header, answers: &Answers) -> Option<Question> {
        if self.survey.filled == 0 {
            return None;
        }
        let remark = self.twin(all).or_else(|| self.doubtful_meaning(all, answers)).or_else(|| self.doubtful_unit())?;
        let remark = if self.said.fragment { format!("\"{}\": {remark}", self.title) } else { remark };
        Some(Question { section: Section::Columns, key: self.name(header), remark })
    }

    /// A datum that two columns have.
    fn twin(&self, all: &[Column]) -> Option<String> {
        let meaning = Some(self.meaning()).filter(|meaning| !meaning.is_empty())?;
        let other =
            all.iter().find(|other| other.index != self.index && other.survey.filled > 0 && other.role == self.role)?;
        let title = format!("column {} \"{}\"", letters(other.index), other.title);
        Some(format!("{title} is {meaning} as well: \"{LEAVE}\" leaves one of the two out"))
    }

    fn doubtful_meaning(&self, all: &[Column], answers: &Answers) -> Option<String> {
        let said = &self.said;
        let has = |name: &str| all.iter().any(|c| c.is(name)) || answers.constant(name).is_some();
        let leave = format!("\"{LEAVE}\" leaves it out");
        if said.fragment && self.answer.is_none() {
            return Some(format!("its title seems to go on from a merged cell: a key of a part, or {leave}"));
        }
        match said.word {
            Some(Word::SomeQuantity) if answers.offers && all.iter().all(|other| other.role != Role::Stock) => {
                return Some(format!("stock, if so many pieces are there, or {leave}"));
            }
            Some(Word::SomeCurrent)
                if self.role == Role::Unused && !(has("saturation_current") && has("heating_current")) =>
            {
                return Some(format!("saturation_current at ... %, heating_current at ... K, or {leave}"));
            }
            _ => {}
        }
        if let Some(other) =
            self.survey.no_family.as_ref().filter(|_| self.survey.families == 0 && self.answer.is_none())
        {
            return Some(format!("no cell names a family of cores, only such as \"{other}\": {leave}"));
        }
        if self.role == Role::Resistances && self.survey.unqualified && !self.in_order {
            return Some("dcr_typical or dcr_max: nobody says which".into());
        }
        if (self.is("saturation_current") || self.is("hot_saturation_current"))
            && said.drop.is_none()
            && !has("saturation_drop")
        {
            let path = self.key().map_or("", |key| key.path);
            return Some(format!("{path} at ... %: by how much has the inductance dropped there? {leave}"));
        }
        if self.is("heating_current") && said.rise.is_none() && !has("heating_rise") {
            return Some(format!("heating_current at ... K: by how much has the temperature risen there? {leave}"));
        }
        if self.answer.is_some() { self.misanswered() } else { self.odd_words(&leave) }
    }

    /// Words and conditions that do not go with the meaning.
    fn odd_words(&self, leave: &str) -> Option<String> {
        let said = &self.said;
        if self.role == Role::Unused || !self.has_numbers() {
            return None;
        }
        if self.role == Role::Price && !said.odd.is_empty() {
            let odd = said.odd.join(" ");
            return Some(format!(
                "price [EUR] if that is the price of one piece, price [EUR/100] if it is that of 100: what does \"{odd}\" mean? or {leave}"
            ));
        }
        let mut odd = said.odd.clone();
        let saturation = self.is("saturation_current") || self.is("hot_saturation_current");
        let heating = self.is("heating_current");
        odd.extend(said.drop.clone().filter(|_| !saturation && !self.is("tolerance") && !self.is("saturation_drop")));
        odd.extend(said.rise.clone().filter(|_| !heating && !self.is("heating_rise")));
        let resistance = matches!(self.dimension(), Some(Dimension::Resistance));
        let other_than_room = |degc: &String| leading_number(degc) != Some(25.0);
        odd.extend(said.temperature.clone().filter(|degc| resistance && other_than_room(degc)));
        odd.extend(said.tolerance.clone().filter(|_| !self.is("inductance") && !self.is("tolerance")));
        let largest = said.qualifiers.contains(&Qualifier::Largest);
        let least = said.qualifiers.contains(&Qualifier::Least);
        if (saturation || heating || self.is("inductance")) && (largest || least) || resistance && least {
            odd.push(if least { "min".into() } else { "max".into() });
        }
        let key = Some(self.meaning()).filter(|meaning| !meaning.is_empty()).unwrap_or("a key of a part");
        (!odd.is_empty()).then(|| format!("{key}? what does \"{}\" mean? or {leave}", odd.join(" ")))
    }

    /// An answer that is none.
    fn misanswered(&self) -> Option<String> {
        let answer = self.answer.as_deref().filter(|answer| *answer != LEAVE && self.said.word.is_none())?;
        Some(format!("\"{answer}\" is not understood: a key of a part, its unit in brackets, or \"{LEAVE}\""))
    }

    fn doubtful_unit(&self) -> Option<String> {
        if self.role == Role::Price {
            let bare = self.survey.bare.as_ref().filter(|_| self.unit.is_none() && !self.survey.united)?;
            return Some(format!(
                "price [EUR] or another currency: neither title nor cells such as \"{bare}\" have one; or \"{LEAVE}\""
            ));
        }
        let (dimension, key) = (self.dimension().filter(|_| self.role != Role::Unused)?, self.key());
        let name = key.map_or(dimension.name(), |key| key.path);
        if let Some(unit) = &self.unit
            && !unit_fits(unit, dimension)
        {
            return Some(format!("{name} [?]: \"{unit}\" is no unit of {} that is certain", dimension.name()));
        }
        if let Some(small) = &self.survey.small {
            let number: f64 = small.parse().unwrap_or(0.0);
            return Some(format!(
                "{name} [1] if {small} is {} %, {name} [%] if it is {small} %",
                rounded(100.0 * number)
            ));
        }
        let needs_unit = !matches!(dimension, Dimension::Number | Dimension::Ratio);
        let bare = self.survey.bare.as_ref().filter(|_| needs_unit && self.unit.is_none() && !self.survey.united)?;
        let usual = dimension.usual_unit();
        Some(format!("{name} [{usual}] or another unit: neither title nor cells such as \"{bare}\" have one"))
    }
}

/// Six significant digits of a percentage.
fn rounded(number: f64) -> f64 {
    (number * 1e6).round() / 1e6
}

/// Whether a unit belongs to a dimension.
pub fn unit_fits(unit: &str, dimension: Dimension) -> bool {
    words::unit(unit, dimension).is_some()
}

impl Survey {
    fn see(&mut self, cell: &Cell, column: &Column, marks: &Marks) {
        match column.dimension() {
            Some(dimension) => self.see_quantity(cell, column, dimension, marks),
            None => self.see_offer(cell, column.role, marks),
        }
    }

    fn see_offer(&mut self, cell: &Cell, role: Role, marks: &Marks) {
        let price = match role {
            Role::Price => offer::price(cell, marks),
            _ => offer::stock(cell, marks).map(|_| None),
        };
        match price {
            Err(Unread::Marks) => drop(self.either.get_or_insert(cell.text())),
            Ok(Some(price)) if price.has_currency() => self.united = true,
            Ok(Some(_)) => drop(self.bare.get_or_insert(cell.text())),
            Ok(None) | Err(Unread::Because(_)) => {}
        }
    }

    fn see_quantity(&mut self, cell: &Cell, column: &Column, dimension: Dimension, marks: &Marks) {
        let read = match (column.role, cell) {
            (Role::Size, Cell::Text(text)) => {
                cell::lengths(text, marks).map(|all| cell::Values { all, tolerance: None })
            }
            (Role::Temperatures, Cell::Text(text)) if cell::upper_end(text).is_some() => return,
            _ => cell::values(cell, dimension, marks),
        };
        let values = match read {
            Ok(values) => values.all,
            Err(Unread::Marks) => {
                self.either.get_or_insert(cell.text());
                return;
            }
            Err(Unread::Because(_)) => return,
        };
        for value in &values {
            self.united |= !value.unit.is_empty();
            if value.unit.is_empty() {
                self.bare.get_or_insert(cell.text());
            }
        }
        if let ([only], Dimension::Fraction, None | Some("%")) = (values.as_slice(), dimension, column.unit.as_deref())
        {
            // A tolerance or a drop of 1 % or less is none that a power inductor has: a spreadsheet may keep 20 % as 0.2.
            let small = only.unit.is_empty() && only.number.parse().is_ok_and(|n: f64| n > 0.0 && n <= 1.0);
            if small && column.answer.is_none() {
                self.small.get_or_insert(only.number.clone());
            }
        }
        self.unqualified |= values.len() == 1 && values[0].qualifier.is_none();
    }
}

/// A column "value" is the inductance where its cells, or its title, are in henry.
fn settle_value(columns: &mut [Column]) {
    let known = columns.iter().any(|column| column.is("inductance"));
    for column in columns.iter_mut().filter(|column| column.said.word == Some(Word::Value)) {
        let of_title = column.unit.as_ref().is_some_and(|unit| unit_fits(unit, Dimension::Inductance));
        let of_cells = column.unit.is_none() && column.survey.united && column.survey.bare.is_none();
        if !known && (of_title || of_cells) {
            column.role = key_named("inductance").map_or(Role::Unused, Role::Key);
        }
    }
}

/// A word that only may mean the name yields to one that surely does.
fn choose_name(columns: &mut [Column]) {
    let sure = |column: &Column| column.is("name") && column.said.word == Some(Word::Key("name"));
    if columns.iter().any(sure) {
        columns
            .iter_mut()
            .filter(|column| column.is("name") && !sure(column))
            .for_each(|column| column.role = Role::Unused);
        return;
    }
    let rank = |column: &Column| {
        ["part", "part name", "article", "artikel", "product"].contains(&column.title.to_lowercase().as_str())
    };
    if columns.iter().filter(|column| column.is("name") && rank(column)).count() == 1 {
        columns
            .iter_mut()
            .filter(|column| column.is("name") && !rank(column))
            .for_each(|column| column.role = Role::Unused);
    }
}

/// Of several ratings of one kind the one that most makers state is taken, else the one next to it.
fn choose_rating(columns: &mut [Column], key: &str, usual: f64, condition: fn(&Title) -> Option<&str>) {
    let value = |column: &Column| condition(&column.said).and_then(leading_number);
    let rated = columns.iter().filter(|column| column.is(key) && column.survey.filled > 0);
    let Some(best) = rated.filter_map(value).min_by(|a, b| (a - usual).abs().total_cmp(&(b - usual).abs())) else {
        return;
    };
    for column in columns.iter_mut().filter(|column| column.is(key)) {
        if value(column) != Some(best) {
            column.role = Role::Unused;
        }
    }
}

/// A part has one drop for its cold and its hot saturation current: a hot one at another drop is left out.
fn same_drop(columns: &mut [Column]) {
    let of = |columns: &[Column], key: &str| {
        columns.iter().find(|column| column.is(key)).map(|column| column.said.drop.clone())
    };
    if let Some(cold) = of(columns, "saturation_current")
        && of(columns, "hot_saturation_current").is_some_and(|hot| hot != cold)
    {
        columns
            .iter_mut()
            .filter(|column| column.is("hot_saturation_current"))
            .for_each(|column| column.role = Role::Unused);
    }
}

/// Of two columns that say the same of every part, one is enough.
fn leave_out_copies(columns: &mut [Column], grid: &Grid, header: &Header) {
    let lines = &grid.lines[header.body..];
    for i in 1..columns.len() {
        let (before, rest) = columns.split_at_mut(i);
        let column = &mut rest[0];
        let copies = |other: &&Column| {
            let alike = (other.role, &other.unit, &other.said.drop, &other.said.rise)
                == (column.role, &column.unit, &column.said.drop, &column.said.rise);
            alike && lines.iter().all(|line| line.cell(other.index) == line.cell(column.index))
        };
        if column.key().is_some() && before.iter().any(|other| copies(&other)) {
            column.role = Role::Unused;
        }
    }
}

/// Dimensions that say something only together are not used unless all are there; a column of sizes may have what is missing.
fn leave_out_parts_of(columns: &mut [Column], answers: &Answers, group: &[&str]) {
    let has = |key: &&str| columns.iter().any(|column| column.is(key)) || answers.constant(key).is_some();
    let sizes = columns.iter().any(|column| column.role == Role::Size);
    if !sizes && !group.iter().all(has) {
        let partial = |column: &&mut Column| group.iter().any(|key| column.is(key));
        columns.iter_mut().filter(partial).for_each(|column| column.role = Role::Unused);
    }
}

/// Where a length stands in millimetres and in inches, the inches are those of a conversion.
fn leave_out_inches(columns: &mut [Column]) {
    let factor = |column: &Column| {
        column.unit.as_ref().and_then(|unit| words::unit(unit, Dimension::Length)).map(|unit| unit.factor)
    };
    let metric: Vec<Role> =
        columns.iter().filter(|column| factor(column) == Some(1.0)).map(|column| column.role).collect();
    let in_both = |column: &&mut Column| column.dimension() == Some(Dimension::Length) && metric.contains(&column.role);
    columns
        .iter_mut()
        .filter(in_both)
        .filter(|column| factor(column) != Some(1.0) && column.unit.is_some())
        .for_each(|column| column.role = Role::Unused);
}

/// Numbers whose mark may be read in two ways: one question for the table.
fn decimal_question(columns: &[Column], answers: &Answers) -> Option<Question> {
    if answers.decimal.is_some() {
        return None;
    }
    let asked = |column: &&Column| column.role != Role::Unused && column.survey.either.is_some();
    let column = columns.iter().find(asked)?;
    let number = column.survey.either.clone()?;
    let remark = format!("\"comma\" or \"point\": in \"{}\" the number {number} can be read in two ways", column.title);
    Some(Question { section: Section::Parts, key: "decimal".into(), remark })
}

/// What every part needs and no column has.
fn missing(columns: &[Column], answers: &Answers) -> Vec<Question> {
    let has = |name: &str| columns.iter().any(|c| c.is(name)) || answers.constant(name).is_some();
    let any = |role: Role| columns.iter().any(|column| column.role == role);
    let mut all = Vec::new();
    let mut ask = |section, key: &str, remark: &str| {
        all.push(Question { section, key: key.into(), remark: remark.into() });
    };
    let unused: Vec<String> = unused(columns);
    let titles = if unused.is_empty() { String::new() } else { format!(" (not used so far: {})", unused.join(", ")) };
    if !has("name") {
        ask(
            Section::Columns,
            "title of the names",
            &format!("name: put the title of the column with the part numbers on the left{titles}"),
        );
    }
    ask_core(columns, answers, &mut ask);
    if !has("dcr_typical") && !has("dcr_max") && !any(Role::Resistances) {
        let remark = format!(
            "dcr_max or dcr_typical: put the title of the column with the winding resistance on the left{titles}"
        );
        ask(Section::Columns, "title of the resistances", &remark);
    }
    let size = any(Role::Size) || has("body_length") && has("body_width") && has("body_height");
    let current =
        has("heating_current") || columns.iter().any(|c| c.said.word == Some(Word::SomeCurrent) && c.answer.is_none());
    if !current && !has("thermal_resistance") && !size {
        ask(Section::All, "thermal_resistance", "such as 45 K/W; no column has it, a heating current or the size");
    }
    all
}

/// Where no line names the family of its core, it is asked for all of them.
fn ask_core(columns: &[Column], answers: &Answers, ask: &mut dyn FnMut(Section, &str, &str)) {
    let column = columns.iter().find(|column| column.is("core"));
    let lines = columns.iter().find(|column| column.is("inductance")).map_or(0, |column| column.survey.filled);
    let is_named = column.is_some_and(|column| column.survey.families > 0 || lines == 0);
    if is_named || answers.constant("core").is_some() {
        return;
    }
    let who = column.map_or("no column".into(), |column| format!("no cell of \"{}\"", column.title));
    let remark =
        format!("ferrite, composite or iron-powder; {who} says it, and without it none of {lines} lines can be used");
    ask(Section::All, "core", &remark);
}

/// Titles of the columns that are not read, as far as there is something in them.
pub fn unused(columns: &[Column]) -> Vec<String> {
    let is_unused = |column: &&Column| column.role == Role::Unused && column.survey.filled > 0;
    let name = |column: &Column| {
        if column.title.is_empty() { format!("column {}", letters(column.index)) } else { column.title.clone() }
    };
    columns.iter().filter(is_unused).map(name).collect()
}
