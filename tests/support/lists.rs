//! Purchasing lists as long as one likes, the same on every machine: series of a size each, resistance and saturation by the laws of the
//! trade (common practice), with gaps and slips.

/// One line in so many has no inductance that can be read.
pub const SLIP_EVERY: usize = 97;

/// A stream of shares of one, by xorshift (Marsaglia 2003).
pub struct Random(u64);

impl Random {
    /// The stream of a seed other than 0.
    pub fn new(seed: u64) -> Random {
        Random(seed)
    }

    /// The next share, from 0 to below 1.
    pub fn share(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn of<T: Copy>(&mut self, all: &[T]) -> T {
        all[(all.len() as f64 * self.share()) as usize]
    }
}

/// A list of so many lines with part number, inductance, tolerance, resistance, saturation current, heating current, size, voltage, core,
/// price and stock.
pub fn list(rows: usize) -> String {
    let mut random = Random::new(88_172_645_463_325_252);
    let mut text = "Part number;L [uH];Tol [%];DCR max [mOhm];Isat 30% [A];Irms 40K [A];Size [mm];Rated voltage [V];Core;Price [EUR];Stock\n"
        .to_string();
    for number in 0..rows {
        text += &(line(number, &mut random).join(";") + "\n");
    }
    text
}

fn line(number: usize, random: &mut Random) -> [String; 11] {
    let inductance_uh = random.of(&[4.7, 6.8, 8.2, 10.0, 12.0, 15.0, 22.0]);
    let (side_mm, height_mm) = (random.of(&[5.2, 6.2, 6.6, 7.2]), random.of(&[3.1, 4.0, 4.8]));
    let volume = side_mm * side_mm * height_mm;
    let resistance = 18.0 * (inductance_uh / 10.0) * (250.0 / volume) * (0.8 + 0.4 * random.share()) + 12.0;
    let saturation_a = 6.4 * (volume / 250.0 * 10.0 / inductance_uh).sqrt() * (0.85 + 0.3 * random.share());
    let heating_a = 3.6 * (30.0 / resistance).sqrt();
    let (price, stock) = (0.2 + 1.6 * random.share(), (20_000.0 * random.share()) as u64);
    let mut or_gap = |value: String, share: f64| if random.share() < share { String::new() } else { value };
    let is_slip = number % SLIP_EVERY == SLIP_EVERY - 1;
    [
        format!("Plover-{number}"),
        if is_slip { "fifteen".into() } else { format!("{inductance_uh}") },
        or_gap("20".into(), 0.1),
        format!("{resistance:.1}"),
        or_gap(format!("{saturation_a:.2}"), 0.06),
        or_gap(format!("{heating_a:.2}"), 0.1),
        format!("{side_mm} x {side_mm} x {height_mm}"),
        or_gap("60".into(), 0.2),
        ["composite", "composite", "ferrite"][number % 3].into(),
        or_gap(format!("{price:.2}"), 0.05),
        or_gap(stock.to_string(), 0.05),
    ]
}
