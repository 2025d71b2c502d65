mod support;
use support::validation::*;
use support::*;
use presolder::board::*;
use presolder::engine::modal::Modal;
use presolder::engine::row::*;
#[test]
fn trial() {
    let mut board = regulator::regulator();
    board.load_kind = LoadKind::Current;
    for f in [0.0,0.25,0.5,0.75] {
        let (r, ripple) = regulator::stepped(&board, 50e-6, 0.0, &regulator::jump(1.5,5.0,1e-3), f);
        println!("f {f} dip {:.6} peak {:.5} rec {:e} ripple {ripple:e} mean {:?}", r.dip_v(), r.step.current.high, r.step.recovery_s, r.mean_v);
    }
    let m = motion::series_rlc(0.6324555320336759, 10e-6, 100e-6, 50e-6);
    let x = motion::propagate(&m, &motion::vector(&[0.0]), motion::inputs(5.0), 50e-6);
    println!("crit {} {:e} {:e}", m.is_dense(), x[0]/5.143516527095361-1.0, x[1]/2.344773953746877-1.0);
    let a = 7.3e4;
    let stage = |prev: Row, k| (prev - Row::state(k)) * a;
    let m = Modal::new(&[stage(Row::input(Input::Source),0), stage(Row::state(0),1), stage(Row::state(1),2)], 40e-6);
    let x = motion::propagate(&m, &motion::vector(&[0.0]), motion::inputs(5.0), 40e-6);
    let t = a*40e-6f64; let e = 5.0*(1.0-(-t).exp()*(1.0+t+t*t/2.0));
    println!("triple {} {:e}", m.is_dense(), x[2]/e-1.0);
    current_mode::multiplier(1e5);
}
