//! Filters of `presolder screen`: which parts are looked at at all. What is not stated leaves no part out.

use crate::case::Case;
use crate::case::table;
use crate::error::Error;
use crate::model::offer::{Asked, Offer, Price};
use crate::record::screen::{Filter, NotExamined, OfferRecord};
use crate::report::number::price;
use crate::units::{self, Dimension};
use crate::visible::visible;
use clap::Args;
use std::collections::HashMap;

/// What a user sets.
#[derive(Args)]
pub struct Filters {
    /// Examine parts of this nominal inductance alone, for example "8 uH..15 uH". Others are listed as not examined.
    #[arg(long, value_name = "FROM..TO")]
    inductance: Option<String>,
    /// Examine parts that cost at most this apiece alone, for example "0.80 EUR". Currencies are not converted; a part without a price in this
    /// one is examined, and said.
    #[arg(long, value_name = "PRICE")]
    highest_price: Option<String>,
    /// Examine parts of which at least so many are in stock alone. A part without a stock is examined, and said.
    #[arg(long, value_name = "PIECES")]
    least_stock: Option<u64>,
}

/// The same, read.
#[derive(Clone, Copy)]
pub struct Wanted {
    inductance_h: Option<(f64, f64)>,
    asked: Asked,
}

/// The parts of a case, sorted by the filters.
#[derive(Default)]
pub struct Sorted {
    /// Numbers of the substitutes that are examined.
    pub examined: Vec<usize>,
    /// The others.
    pub not_examined: Vec<NotExamined>,
    /// How many each filter leaves out, and for how many it could not tell.
    pub filters: Vec<Filter>,
    /// What parts that are examined are offered for: the best of the offers that no filter leaves out.
    pub offers: HashMap<String, OfferRecord>,
}

impl Filters {
    /// Reads them.
    ///
    /// # Errors
    /// [`Error::Output`] with what was expected.
    pub fn wanted(&self) -> Result<Wanted, Error> {
        let inductance_h = self.inductance.as_deref().map(window).transpose()?;
        let highest = self.highest_price.as_deref().map(highest).transpose()?;
        Ok(Wanted { inductance_h, asked: Asked { highest, least: self.least_stock } })
    }
}

/// A window of inductance: two values with units and two dots between them.
fn window(text: &str) -> Result<(f64, f64), Error> {
    let wrong = || {
        let text = visible(text);
        Error::Output(format!("error: --inductance {text}: expected two inductances, for example \"8 uH..15 uH\""))
    };
    let (low, high) = text.split_once("..").ok_or_else(wrong)?;
    let value = |text: &str| units::parse(text.trim(), Dimension::Inductance).map_err(|_| wrong());
    let (low, high) = (value(low)?, value(high)?);
    if low <= high { Ok((low, high)) } else { Err(wrong()) }
}

fn highest(text: &str) -> Result<Price, Error> {
    let wrong = || {
        let text = visible(text);
        Error::Output(format!(
            "error: --highest-price {text}: expected a price above 0 with its currency, for example \"0.80 EUR\""
        ))
    };
    table::price(text).ok_or_else(wrong)
}

/// What the filters say of a part.
enum Said {
    /// Inside, as far as anything tells: what it is offered for, and which filters could not tell.
    Inside(Offer, Vec<&'static str>),
    /// Outside of this filter, for this reason.
    Outside(&'static str, String),
}

const INDUCTANCE: &str = "inductance";
const PRICE: &str = "price";
const STOCK: &str = "stock";

impl Wanted {
    /// Sorts the substitutes of a case.
    pub fn sort(&self, case: &Case) -> Sorted {
        let mut sorted = Sorted { filters: self.filters(), ..Sorted::default() };
        for (number, part) in case.parts.iter().enumerate().skip(1) {
            let offers = case.offers.get(&part.name).map_or(&[][..], Vec::as_slice);
            match self.look(part.inductance_h, offers) {
                Said::Outside(datum, reason) => {
                    sorted.filter(datum).outside += 1;
                    sorted.not_examined.push(NotExamined { part: part.name.clone(), reason });
                }
                Said::Inside(offer, not_stated) => {
                    not_stated.into_iter().for_each(|datum| sorted.filter(datum).not_stated += 1);
                    sorted.examined.push(number);
                    sorted.offers.insert(part.name.clone(), OfferRecord::from(&offer));
                }
            }
        }
        sorted
    }

    /// The filters that are set, with nothing counted.
    fn filters(&self) -> Vec<Filter> {
        let filter = |datum: &str, asks: String| Filter { datum: datum.into(), asks, outside: 0, not_stated: 0 };
        let inductance =
            self.inductance_h.map(|(low, high)| filter(INDUCTANCE, format!("{} to {}", henry(low), henry(high))));
        let highest = self.asked.highest.map(|highest| filter(PRICE, format!("at most {}", shown(highest))));
        let least = self.asked.least.map(|least| filter(STOCK, format!("at least {least}")));
        [inductance, highest, least].into_iter().flatten().collect()
    }

    /// A part is inside where one of its offers is; the best of those counts.
    fn look(&self, inductance_h: f64, offers: &[Offer]) -> Said {
        if let Some((low, high)) = self.inductance_h.filter(|(low, high)| !(*low..=*high).contains(&inductance_h)) {
            let reason = format!("inductance {} is outside {} to {}", henry(inductance_h), henry(low), henry(high));
            return Said::Outside(INDUCTANCE, reason);
        }
        let asked = &self.asked;
        let nothing = [Offer::default()];
        let offers = if offers.is_empty() { &nothing } else { offers };
        let cheap = || offers.iter().filter(|offer| asked.price(offer) != Some(false));
        let best = |a: &&Offer, b: &&Offer| OfferRecord::from(*a).by_preference(&OfferRecord::from(*b));
        if let Some(offer) = cheap().filter(|offer| asked.stock(offer) != Some(false)).min_by(best) {
            let price = asked.price(offer).is_none().then_some(PRICE);
            let stock = asked.stock(offer).is_none().then_some(STOCK);
            return Said::Inside(*offer, price.into_iter().chain(stock).collect());
        }
        match cheap().filter_map(|offer| offer.stock).max() {
            Some(stock) => {
                Said::Outside(STOCK, format!("stock {} is below {}", stock.pieces, asked.least.unwrap_or(0)))
            }
            None => {
                Said::Outside(PRICE, offers.iter().min_by(best).map_or_else(String::new, |offer| self.too_dear(offer)))
            }
        }
    }

    fn too_dear(&self, offer: &Offer) -> String {
        let text = |price: Option<Price>| price.map_or_else(String::new, shown);
        format!("price {} is above {}", text(offer.price), text(self.asked.highest))
    }
}

impl Sorted {
    /// The filter of a datum; only one that is set says anything.
    fn filter(&mut self, datum: &str) -> &mut Filter {
        let at = self.filters.iter().position(|filter| filter.datum == datum).unwrap_or(0);
        &mut self.filters[at]
    }
}

fn henry(value: f64) -> String {
    units::show(value, Dimension::Inductance)
}

fn shown(value: Price) -> String {
    price(value.amount, value.currency)
}
