//! Boards of every control scheme. The first two are the demo boards as the separate derivation uses them: winding at 25 C, typical
//! resistance, nominal inductance.

use super::branch;
use presolder::board::*;

/// A board with one part.
#[derive(Clone)]
pub struct DemoBoard {
    pub name: &'static str,
    pub board: Board,
    pub dcr_ohm: f64,
    pub inductance: Vec<(f64, f64)>,
    pub steady_a: f64,
}

fn stage(high_side_ohm: f64, low_ohm: f64, dead_time_s: f64, body_diode_v: f64, emulation: bool) -> Stage {
    let low_side = LowSide::Switch { on_ohm: low_ohm, dead_time_s, body_diode_v, emulation };
    Stage { high_side_ohm, low_side, hot_factor: 1.25, ..super::ideal_stage() }
}

fn micro(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    points.iter().map(|(a, uh)| (*a, uh * 1e-6)).collect()
}

/// 48 V to 12 V, voltage mode, type III.
pub fn ticket_kiosk() -> DemoBoard {
    let compensator = Compensator::OpAmp {
        reference_v: 0.8,
        r1_ohm: 20e3,
        rb_ohm: 20e3 * 0.8 / (12.0 - 0.8),
        lead: Some((1e3, 1.2e-9)),
        r2_ohm: 56e3,
        c1_f: 1.2e-9,
        c2_f: 27e-12,
        gain_bandwidth_hz: 8e6,
        clamp_v: (0.0, 6.0),
    };
    let modulator = Modulator::VoltageMode { ramp: Ramp::InputOver(10.0), delay_s: 150e-9 };
    let bank = vec![branch(39e-6, 1.3e-3, 0.3e-9), branch(150e-6, 22e-3, 3e-9)];
    let mut board = super::open_loop(48.0, 0.25, 250e3, bank, 2.5);
    board.load_kind = LoadKind::Current;
    board.stage = stage(26e-3, 18e-3, 35e-9, 0.85, false);
    board.control = Control {
        compensator,
        modulator,
        min_on_s: 0.0,
        min_off_s: 200e-9,
        protection: Protection::default(),
        aim: None,
    };
    board.load_step = Some(LoadStep::once(1.0, 3.5, 1e6, 1e-3));
    DemoBoard {
        name: "ticket-kiosk",
        board,
        dcr_ohm: 44e-3,
        inductance: micro(&[
            (0.0, 33.0),
            (3.9, 33.0),
            (5.46, 32.5),
            (6.24, 31.8),
            (7.02, 29.7),
            (7.8, 23.1),
            (8.58, 15.5),
            (9.75, 9.24),
            (11.7, 5.94),
            (15.6, 4.29),
            (23.4, 3.3),
        ]),
        steady_a: 2.5,
    }
}

/// 24 V to 5 V, peak current mode, transconductance amplifier.
pub fn valve_controller() -> DemoBoard {
    let compensator = Compensator::Transconductance {
        reference_v: 0.8,
        gm_s: 240e-6,
        ro_ohm: 4e6,
        rc_ohm: 51e3,
        cc_f: 330e-12,
        chf_f: 15e-12,
        clamp_v: (0.0, 1.2),
    };
    let modulator = Modulator::PeakCurrent { gain_a_per_v: 5.0, slope_a_per_s: 0.45e6, delay_s: 0.0 };
    let mut board = super::open_loop(24.0, 5.0 / 24.0, 400e3, vec![branch(45e-6, 1.2e-3, 0.3e-9)], 2.0);
    board.output_v = 5.0;
    board.load_kind = LoadKind::Current;
    board.stage = stage(75e-3, 45e-3, 22e-9, 0.8, true);
    board.control = Control {
        compensator,
        modulator,
        min_on_s: 90e-9,
        min_off_s: 110e-9,
        protection: Protection::default(),
        aim: None,
    };
    board.load_step = Some(LoadStep::once(0.5, 2.5, 1e6, 500e-6));
    DemoBoard {
        name: "valve-controller",
        board,
        dcr_ohm: 36e-3,
        inductance: micro(&[
            (0.0, 10.0),
            (1.32, 9.85),
            (2.64, 9.4),
            (3.96, 8.75),
            (5.28, 7.9),
            (6.6, 7.0),
            (7.92, 6.1),
            (9.9, 4.9),
            (13.2, 3.5),
            (19.8, 2.1),
        ]),
        steady_a: 2.0,
    }
}

/// 12 V to 1.2 V, constant on-time, ripple injected from the switch node.
pub fn oven_panel() -> DemoBoard {
    let mut board = super::open_loop(12.0, 0.1, 600e3, vec![branch(240e-6, 0.5e-3, 0.1e-9)], 6.0);
    board.output_v = 1.2;
    board.load_kind = LoadKind::Current;
    board.stage = Stage {
        high_side_ohm: 9e-3,
        low_side: LowSide::Switch { on_ohm: 3.2e-3, dead_time_s: 18e-9, body_diode_v: 0.75, emulation: false },
        hot_factor: 1.25,
        ..super::ideal_stage()
    };
    board.control = Control {
        compensator: Compensator::Ripple {
            reference_v: 0.6,
            r1_ohm: 7.5e3,
            rb_ohm: 8.06e3,
            cff_f: 470e-12,
            injection: Some(Injection::SwitchNode { r_ohm: 75e3, c_f: 100e-9 }),
        },
        modulator: Modulator::ConstantOnTime { on_time_s: 167e-9, delay_s: 60e-9 },
        min_on_s: 0.0,
        min_off_s: 220e-9,
        protection: Protection::default(),
        aim: None,
    };
    board.load_step = Some(LoadStep::once(2.5, 7.5, 10e6, 200e-6));
    DemoBoard {
        name: "oven-panel",
        board,
        dcr_ohm: 2.2e-3,
        inductance: micro(&[(0.0, 0.56), (6.0, 0.545), (12.0, 0.501), (18.0, 0.447), (24.0, 0.392), (36.0, 0.29)]),
        steady_a: 6.0,
    }
}

/// 18 V to about 6.4 V, fixed duty.
pub fn sorrel_feeder() -> DemoBoard {
    let bank = vec![branch(67e-6, 3.9e-3, 0.4e-9), branch(220e-6, 31e-3, 2.7e-9)];
    let mut board = super::open_loop(18.0, 0.37, 320e3, bank, 1.9);
    board.load_kind = LoadKind::Current;
    board.stage = stage(52e-3, 29e-3, 27e-9, 0.82, false);
    board.load_step = Some(LoadStep::once(0.8, 2.7, 1e6, 1e-3));
    DemoBoard {
        name: "sorrel-feeder",
        board,
        dcr_ohm: 39e-3,
        inductance: micro(&[(0.0, 15.0), (1.7, 14.7), (3.1, 13.9), (4.4, 12.8), (6.2, 10.9), (8.9, 7.9), (13.6, 4.6)]),
        steady_a: 1.9,
    }
}

/// A low rail that switches on the ripple injected from the switch node.
fn ripple_rail(name: &'static str, modulator: Modulator, rb_ohm: f64) -> DemoBoard {
    let mut board = super::open_loop(12.0, 1.1 / 12.0, 570e3, vec![branch(260e-6, 0.6e-3, 0.1e-9)], 5.3);
    board.output_v = 1.1;
    board.load_kind = LoadKind::Current;
    board.stage = stage(8.4e-3, 3.1e-3, 17e-9, 0.76, false);
    let compensator = Compensator::Ripple {
        reference_v: 0.6,
        r1_ohm: 6.8e3,
        rb_ohm,
        cff_f: 520e-12,
        injection: Some(Injection::SwitchNode { r_ohm: 68e3, c_f: 47e-9 }),
    };
    board.control = Control {
        compensator,
        modulator,
        min_on_s: 0.0,
        min_off_s: 210e-9,
        protection: Protection::default(),
        aim: None,
    };
    board.load_step = Some(LoadStep::once(2.3, 7.1, 10e6, 200e-6));
    DemoBoard {
        name,
        board,
        dcr_ohm: 2.3e-3,
        inductance: micro(&[
            (0.0, 0.56),
            (3.8, 0.55),
            (7.4, 0.52),
            (11.3, 0.47),
            (15.7, 0.4),
            (22.0, 0.31),
            (31.0, 0.2),
        ]),
        steady_a: 5.3,
    }
}

/// 12 V to 1.1 V, constant on-time.
pub fn grebe_rail() -> DemoBoard {
    ripple_rail("grebe-rail", Modulator::ConstantOnTime { on_time_s: 163e-9, delay_s: 60e-9 }, 8.32e3)
}

/// 12 V to 1.1 V, hysteretic.
pub fn plover_rail() -> DemoBoard {
    ripple_rail("plover-rail", Modulator::Hysteretic { band_v: 31e-3, delay_s: 40e-9 }, 8.16e3)
}
