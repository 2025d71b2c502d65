//! Linear programs of a few hundred unknowns, by the simplex method on the whole tableau: nothing that the program itself contains.

/// Entries below this are rounding.
const ROUNDING: f64 = 1e-11;
/// Exchanges after which a program is taken as one that does not end.
const MOST_EXCHANGES: usize = 20_000;

/// The largest `gains . x` for `x >= 0` and `rows . x <= limits`, limits not negative: the origin is then a place to begin from.
pub fn largest(gains: &[f64], rows: &[Vec<f64>], limits: &[f64]) -> f64 {
    let (unknowns, count) = (gains.len(), rows.len());
    let width = unknowns + count + 1;
    let mut tableau: Vec<Vec<f64>> = rows
        .iter()
        .zip(limits)
        .enumerate()
        .map(|(number, (row, limit))| {
            let mut line = vec![0.0; width];
            line[..unknowns].copy_from_slice(row);
            (line[unknowns + number], line[width - 1]) = (1.0, *limit);
            line
        })
        .collect();
    let mut objective = vec![0.0; width];
    gains.iter().enumerate().for_each(|(k, gain)| objective[k] = -gain);
    let mut basis: Vec<usize> = (unknowns..unknowns + count).collect();
    for _ in 0..MOST_EXCHANGES {
        // The first that gains and the row of the lowest number: such exchanges never go round in a circle (R. G. Bland, 1977).
        let Some(enters) = (0..width - 1).find(|k| objective[*k] < -ROUNDING) else { return objective[width - 1] };
        let ratio = |row: &Vec<f64>| row[width - 1] / row[enters];
        let able = (0..count).filter(|row| tableau[*row][enters] > ROUNDING);
        let leaves = able
            .min_by(|a, b| {
                let order = ratio(&tableau[*a]).total_cmp(&ratio(&tableau[*b]));
                order.then(basis[*a].cmp(&basis[*b]))
            })
            .expect("a program with bounds");
        let pivot = tableau[leaves][enters];
        tableau[leaves].iter_mut().for_each(|entry| *entry /= pivot);
        let line = tableau[leaves].clone();
        let clear = |row: &mut Vec<f64>| {
            let factor = row[enters];
            row.iter_mut().zip(&line).for_each(|(entry, other)| *entry -= factor * other);
        };
        tableau.iter_mut().enumerate().filter(|(row, _)| *row != leaves).for_each(|(_, row)| clear(row));
        clear(&mut objective);
        basis[leaves] = enters;
    }
    panic!("the program does not end");
}
