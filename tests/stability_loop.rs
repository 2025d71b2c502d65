//! Loop gain from the period map against published regulators, the averaged model and an injection in the time domain.

mod support;

use presolder::engine::machine::Machine;
use presolder::engine::network::Circuit;
use presolder::measure::steady;
use presolder::parts::saturation::FluxTable;
use presolder::stability::Loop;
use support::demo;

#[test]
fn trial() {
    for board in [demo::ticket_kiosk(), demo::valve_controller()] {
        let flux = FluxTable::linear(board.inductance[0].1).unwrap();
        let circuit = Circuit::new(&board.board, flux, board.dcr_ohm, board.board.nominal_input_v, board.steady_a);
        let mut machine = Machine::new(circuit).unwrap();
        let run = steady::measure(&mut machine, board.steady_a).unwrap();
        let control = Loop::around(&mut machine, &run.orbit).unwrap().unwrap();
        println!("{} {:?}", board.name, control.margins());
        for f in [1e3, 5e3, 10e3, 20e3, 40e3, 80e3, 120e3] {
            let (a, b) = (control.sampled(f).unwrap(), control.analyser(f).unwrap());
            println!(
                "{f} sampled {:.5} {:.2} analyser {:.5} {:.2}",
                a.norm(),
                a.arg().to_degrees(),
                b.norm(),
                b.arg().to_degrees()
            );
        }
    }
}
