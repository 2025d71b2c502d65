//! What a part is offered for. It neither passes nor fails a part: it says which parts are looked at, and orders equals.

/// Price and stock of one line of a list.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Offer {
    /// Price of one piece; `None`: not stated.
    pub price: Option<Price>,
    /// Pieces in stock; `None`: not stated.
    pub stock: Option<Stock>,
}

/// A price of one piece. Currencies are never converted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Price {
    /// Amount, above 0.
    pub amount: f64,
    /// Currency: ISO 4217 where the list's sign stands for one currency alone, else the sign.
    pub currency: &'static str,
}

/// Pieces in stock.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Stock {
    /// How many.
    pub pieces: u64,
    /// Whether there may be more: the list says "1000+".
    pub or_more: bool,
}

/// What a filter asks of an offer.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Asked {
    /// Highest price of one piece.
    pub highest: Option<Price>,
    /// Fewest pieces in stock.
    pub least: Option<u64>,
}

impl Asked {
    /// Whether the price is low enough; `None`: nothing says so, or it is in another currency.
    pub fn price(&self, offer: &Offer) -> Option<bool> {
        let Some(highest) = self.highest else { return Some(true) };
        let price = offer.price.filter(|price| price.currency == highest.currency)?;
        Some(price.amount <= highest.amount)
    }

    /// Whether enough are in stock; `None`: nothing says so.
    pub fn stock(&self, offer: &Offer) -> Option<bool> {
        let Some(least) = self.least else { return Some(true) };
        let stock = offer.stock?;
        if stock.pieces >= least { Some(true) } else { (!stock.or_more).then_some(false) }
    }
}
