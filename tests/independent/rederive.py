"""Independent reference numbers for two switched buck boards, from NumPy and SciPy only.

The switched equations are derived here again from circuit laws and integrated with SciPy's DOP853 (Dormand-Prince 8(5,3)),
restarted at every switching instant.  No code is shared with the simulator under test.

Circuit equations (Kirchhoff's laws; currents positive towards the load)
  inductor       d(lambda)/dt = v_sw - R_dcr*i - v_o,   lambda(i) = integral of L(i),   so   L(i)*di/dt = v_sw - R_dcr*i - v_o
  branch b       ESL_b*di_b/dt = v_o - v_b - ESR_b*i_b,   C_b*dv_b/dt = i_b
  output node    i = i_load + sum(i_b).  The last branch current is eliminated with this, so it can never drift.
  output voltage differentiate the node law, insert both current slopes and solve for v_o:
                 v_o = [(v_sw - R_dcr*i)/L(i) - di_load/dt + sum((v_b + ESR_b*i_b)/ESL_b)] / [1/L(i) + sum(1/ESL_b)]
                 while the inductor is idle (i held at 0) its slope is 0 and both terms with 1/L(i) drop out.

Type III op-amp compensator.  v_1 across C1, v_2 across C2 (v_2 = v_m - v_c), v_3 across C3:
  v_m = v_c + v_2
  R2*C1 series branch       C1*dv_1/dt = (v_2 - v_1)/R2
  R3*C3 series branch       C3*dv_3/dt = (v_o - v_m - v_3)/R3
  node law at v_m           C2*dv_2/dt = (v_o - v_m)/R1 + (v_o - v_m - v_3)/R3 - v_m/R_b - (v_2 - v_1)/R2
  op-amp                    dv_c/dt    = 2*pi*GBW*(V_ref - v_m), held at 0 or V_clamp while it points outwards
Transconductance compensator.  v_z across C_c:
  C_c*dv_z/dt = (v_c - v_z)/R_c
  C_hf*dv_c/dt = gm*(V_ref - k*v_o) - v_c/R_o - (v_c - v_z)/R_c, held likewise

Usage: python rederive.py [output directory]
"""
import bisect
import json
import math
import platform
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import scipy
from scipy.integrate import DOP853
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq, minimize_scalar

RTOL = 1e-10
TIGHT_FACTOR = 0.1  # the self-check repeats everything with this times the tolerance ...
MAX_STEP_S, MAX_STEP_TIGHT_S = 20e-9, 10e-9  # ... and the shorter step.  Without a limit the step grows until it is held by
# stability alone (the filter's time constant is 8 ns); the dense output, whose error nothing controls, is then off by microvolts.
INSTANT_TOL_S = 1e-16  # a switching instant is corrected until it moves less than this
SETTLED_S = 1e-9  # a time the self-check moves by more is that of a flat or repeating extreme: do not compare it
CLAMP_MARGIN_V = 1e-9  # crossing the clamp by this much counts as reaching it
BAND_FRACTION = 0.01  # recovery band, fraction of the rated output
FILTER_HZ = 20e6
SAMPLE_STEP_S, SAMPLE_OFFSET_S = 1e-6, 0.137e-6
HOT_FACTOR = 1.25  # switch resistance, hot over 25 degC
THETAS = np.array([0.0, 0.25, 0.5, 0.75, 1.0])  # looked-at points of each integration step

HIGH, LOW, DIODE_LOW, DIODE_HIGH, IDLE = range(5)
N_QUAD = 6  # running integrals: v_o, i, i^2, source power, load power, loss


class FluxCurve:
    """Incremental inductance (H) over current (A), and current from flux linkage (Wb).  Odd flux, even inductance."""

    def __init__(self, i_a, l_h):
        curve = PchipInterpolator(i_a, l_h)
        self.i_a = [float(x) for x in i_a]
        self.l_c = curve.c.T.tolist()  # per piece: cubic, highest power first
        self.lam_c = curve.antiderivative().c.T.tolist()  # per piece: quartic
        self.lam_wb = [float(x) for x in curve.antiderivative()(np.asarray(i_a))]
        self.l_end_h = float(l_h[-1])

    def current_and_inductance(self, lam_wb):
        """Invert lambda(i) by Newton's method inside the piece that holds it; returns (i in A, L(i) in H)."""
        a = abs(lam_wb)
        if a >= self.lam_wb[-1]:
            i, l = self.i_a[-1] + (a - self.lam_wb[-1]) / self.l_end_h, self.l_end_h
        else:
            k = bisect.bisect_right(self.lam_wb, a) - 1
            c4, c3, c2, c1, c0 = self.lam_c[k]
            b3, b2, b1, b0 = self.l_c[k]
            x = (a - c0) / b0
            l = b0
            for _ in range(30):
                l = ((b3 * x + b2) * x + b1) * x + b0
                dx = ((((c4 * x + c3) * x + c2) * x + c1) * x + c0 - a) / l
                x -= dx
                if abs(dx) < 1e-15 * (1.0 + abs(x)):
                    break
            i, l = self.i_a[k] + x, ((b3 * x + b2) * x + b1) * x + b0
        return (i if lam_wb >= 0 else -i), l

    def flux(self, i_a):
        """Flux linkage (Wb) at a current (A), by root finding on the inverse (only used for starting values)."""
        return brentq(lambda w: self.current_and_inductance(w)[0] - i_a, -1e-2, 1e-2, xtol=1e-18)


class Load:
    """Piecewise-linear current sink: list of (time in s, current in A); constant outside."""

    def __init__(self, points):
        self.t_s = [p[0] for p in points]
        self.i_a = [p[1] for p in points]

    def piece(self, t_s):
        """(reference time, current there, slope in A/s) of the piece holding t_s."""
        k = bisect.bisect_right(self.t_s, t_s) - 1
        if k < 0:
            return t_s, self.i_a[0], 0.0
        if k >= len(self.t_s) - 1:
            return self.t_s[-1], self.i_a[-1], 0.0
        slope = (self.i_a[k + 1] - self.i_a[k]) / (self.t_s[k + 1] - self.t_s[k])
        return self.t_s[k], self.i_a[k], slope


class Record:
    """Integration steps of a run with the looked-at samples of v_o, filtered v_o and i_L (one-sided at every jump)."""

    def __init__(self):
        self.steps, self.t, self.vo, self.lp, self.il = [], [], [], [], []
        self.on_time_s, self.notes = [], {}

    def note(self, what):
        self.notes[what] = self.notes.get(what, 0) + 1


class Board:
    """One board: parameters, right-hand side, cycle sequencing.  Subclasses add the compensator and the comparator."""

    def __init__(self, p, rtol, max_step_s):
        self.p, self.rtol, self.max_step_s = p, rtol, max_step_s
        self.t_cycle_s = 1.0 / p.fsw_hz
        self.curve = FluxCurve(*p.l_table)
        self.nb = len(p.bank)
        self.r_hs_ohm, self.r_ls_ohm = p.r_hs_25_ohm * HOT_FACTOR, p.r_ls_25_ohm * HOT_FACTOR
        self.inv_esl = [1.0 / b[2] for b in p.bank]
        self.sum_inv_esl = sum(self.inv_esl)
        self.k_lp = 2 * math.pi * FILTER_HZ
        self.i_comp = 2 * self.nb  # index of the first compensator state; layout: flux, nb-1 currents, nb voltages, compensator
        self.n_state = self.i_comp + self.n_comp + 1  # last state is the 20 MHz filter
        scale = [p.l_table[1][0]] + [1.0] * (self.n_state - 1)
        t = self.t_cycle_s
        self.scale = np.array(scale)
        self.atol = rtol * np.array(scale + [t, t, t, t * p.v_in_v, t * p.v_in_v, t])

    # --- circuit -------------------------------------------------------------------------------------------------------
    def branch_currents(self, y, i, i_load):
        free = list(y[1:self.nb])
        return free + [i - i_load - sum(free)]

    def switch_node(self, mode, i):
        p = self.p
        if mode == HIGH:
            return p.v_in_v - i * self.r_hs_ohm
        if mode == LOW:
            return -i * self.r_ls_ohm
        return -p.v_f_v if mode == DIODE_LOW else p.v_in_v + p.v_f_v

    def node(self, y, mode, i_load, slope):
        """Returns i_L, the branch currents and v_o."""
        i, l = self.curve.current_and_inductance(y[0])
        ib = self.branch_currents(y, i, i_load)
        num, den = -slope, self.sum_inv_esl
        for b in range(self.nb):
            num += (y[self.nb + b] + self.p.bank[b][1] * ib[b]) * self.inv_esl[b]
        if mode != IDLE:
            num += (self.switch_node(mode, i) - self.p.r_dcr_ohm * i) / l
            den += 1.0 / l
        return i, ib, num / den

    def rhs(self, y, mode, i_load, slope, clamped):
        p, nb = self.p, self.nb
        i, ib, vo = self.node(y, mode, i_load, slope)
        v_sw = 0.0 if mode == IDLE else self.switch_node(mode, i)
        d = [0.0 if mode == IDLE else v_sw - p.r_dcr_ohm * i - vo]
        for b in range(nb - 1):
            d.append((vo - y[nb + b] - p.bank[b][1] * ib[b]) * self.inv_esl[b])
        for b in range(nb):
            d.append(ib[b] / p.bank[b][0])
        comp = self.compensator(y[self.i_comp:self.i_comp + self.n_comp], vo)
        if clamped:
            comp[-1] = 0.0
        d += comp
        d.append(self.k_lp * (vo - y[self.n_state - 1]))
        p_in = p.v_in_v * i if mode in (HIGH, DIODE_HIGH) else 0.0
        loss = p.r_dcr_ohm * i * i + sum(p.bank[b][1] * ib[b] ** 2 for b in range(nb))
        if mode == HIGH:
            loss += self.r_hs_ohm * i * i
        elif mode == LOW:
            loss += self.r_ls_ohm * i * i
        elif mode != IDLE:
            loss += p.v_f_v * abs(i)
        return d + [vo, i, i * i, p_in, vo * i_load, loss]

    def vc(self, y):
        return y[self.i_comp + self.n_comp - 1]

    # --- integration to a time or an event -----------------------------------------------------------------------------
    def clamp_side(self, y, mode, i_load, slope):
        """+1 or -1 when v_c is at a limit and driven outwards, else 0."""
        at = 1 if self.vc(y) >= self.p.v_clamp_v else -1 if self.vc(y) <= 0.0 else 0
        if at == 0:
            return 0
        vo = self.node(y, mode, i_load, slope)[2]
        dv = self.compensator(y[self.i_comp:self.i_comp + self.n_comp], vo)[-1]
        return at if at * dv > 0 else 0

    def events(self, mode, clamp, watch, load_at, slope):
        """Named functions g(phase, y); an event happens where g reaches 0 from below."""
        ev = {}
        if watch:
            ev["trip"] = self.comparator
        if mode == DIODE_LOW or (mode == LOW and self.p.diode_emulation):
            ev["zero"] = lambda t, y: -y[0]
        if mode == DIODE_HIGH:
            ev["zero"] = lambda t, y: y[0]
        if clamp == 0:
            ev["clamp"] = lambda t, y: max(self.vc(y) - self.p.v_clamp_v, -self.vc(y)) - CLAMP_MARGIN_V
        else:
            def release(t, y):
                vo = self.node(y, mode, load_at(t), slope)[2]
                return -clamp * self.compensator(y[self.i_comp:self.i_comp + self.n_comp], vo)[-1]
            ev["clamp"] = release
        return ev

    def first_event(self, ev, ts, ys, dense):
        """Earliest (phase, name) at which an event function changes sign between the samples, or None."""
        best = None
        for name, g in ev.items():
            for k in range(1, len(ts)):
                if g(ts[k], ys[k]) >= 0.0:
                    lo = g(ts[k - 1], ys[k - 1])
                    root = ts[k - 1] if lo >= 0 else brentq(lambda t: g(t, dense(t).tolist()), ts[k - 1], ts[k],
                                                            xtol=1e-18, rtol=1e-14)
                    if best is None or root < best[0]:
                        best = (root, name)
                    break
        return best

    def keep(self, rec, t0, dense, ts, ys, mode, load_at, slope):
        """Store one step; times in the record are absolute."""
        rec.steps.append(SimpleNamespace(a=t0 + ts[0], b=t0 + ts[-1], t0=t0, dense=dense, mode=mode, load_at=load_at, slope=slope))
        for t, y in zip(ts, ys):
            i, _, vo = self.node(y, mode, load_at(t), slope)
            rec.t.append(t0 + t)
            rec.vo.append(vo)
            rec.lp.append(y[self.n_state - 1])
            rec.il.append(i)

    def solver(self, f, t, y, t_end):
        h = min(t_end - t, 2e-9)  # short first step: every restart follows a jump of v_o
        return DOP853(f, t, np.array(y), t_end, rtol=self.rtol, atol=self.atol, first_step=h, max_step=self.max_step_s)

    def replay(self, f, t, y, t_end):
        """Integrate exactly to t_end; list of (dense, times, states) per step, and the final state."""
        if t_end <= t:
            return [], list(y)
        s, out = self.solver(f, t, y, t_end), []
        while s.status == "running":
            s.step()
            dense = s.dense_output()
            ts = (s.t_old + THETAS * (s.t - s.t_old)).tolist()
            out.append((dense, ts, dense(np.array(ts)).T.tolist()))
        if s.status == "failed":
            raise RuntimeError("integration failed")
        return out, s.y.tolist()

    def locate(self, f, g, t_a, y_a, root, g_slope):
        """Re-integrate up to the root and correct it until it no longer moves."""
        for _ in range(5):
            pieces, y = self.replay(f, t_a, y_a, root)
            move = -g(root, y) / g_slope
            if abs(move) < INSTANT_TOL_S or root + move <= t_a:
                break
            root += move
        return root, pieces, y

    def smooth(self, t, y, t_end, t0, mode, clamp, watch, piece, rec):
        """One stretch without breakpoints: returns (phase, state, event name or None)."""
        t_ref, i_ref, slope = piece
        load_at = lambda ph: i_ref + slope * (t0 + ph - t_ref)
        f = lambda ph, v: self.rhs(v.tolist(), mode, load_at(ph), slope, clamp != 0)
        ev = self.events(mode, clamp, watch, load_at, slope)
        if "trip" in ev and ev["trip"](t, y) >= 0:
            return t, y, "trip"
        s = self.solver(f, t, y, t_end)
        while s.status == "running":
            y_old = s.y.tolist()
            s.step()
            if s.status == "failed":
                raise RuntimeError("integration failed")
            dense = s.dense_output()
            ts = (s.t_old + THETAS * (s.t - s.t_old)).tolist()
            ys = dense(np.array(ts)).T.tolist()
            hit = self.first_event(ev, ts, ys, dense)
            if hit is None:
                if rec is not None:
                    self.keep(rec, t0, dense, ts, ys, mode, load_at, slope)
                continue
            root, name = hit
            g, dt = ev[name], (ts[-1] - ts[0]) * 1e-3
            g_slope = (g(root + dt, dense(root + dt).tolist()) - g(root - dt, dense(root - dt).tolist())) / (2 * dt)
            root, pieces, y_root = self.locate(f, g, ts[0], y_old, root, g_slope)
            if rec is not None:
                for dense_k, ts_k, ys_k in pieces:
                    self.keep(rec, t0, dense_k, ts_k, ys_k, mode, load_at, slope)
            return root, y_root, name
        return s.t, s.y.tolist(), None

    def advance(self, t, y, t_end, t0, mode, watch, load, rec):
        """Go to phase t_end, or stop early at a comparator trip.  Handles load corners, zero current and clamping."""
        while t < t_end:
            corners = [c - t0 for c in load.t_s if t + 1e-15 < c - t0 < t_end - 1e-15]
            stop = min(corners + [t_end])
            piece = load.piece(t0 + 0.5 * (t + stop))
            i_load = piece[1] + piece[2] * (t0 + t - piece[0])
            clamp = self.clamp_side(y, mode, i_load, piece[2])
            t, y, name = self.smooth(t, y, stop, t0, mode, clamp, watch, piece, rec)
            if name == "trip":
                return t, y, mode, True
            if name == "zero":
                y[0], mode = 0.0, IDLE
            if name == "clamp" and clamp == 0:
                y[self.i_comp + self.n_comp - 1] = self.p.v_clamp_v if self.vc(y) > 0.5 * self.p.v_clamp_v else 0.0
                if rec is not None:
                    rec.note("v_c reached a clamp")
            if name == "zero" and rec is not None:
                rec.note("inductor current reached zero and idled")
        return t, y, mode, False

    def dead_mode(self, y):
        return DIODE_LOW if y[0] > 0 else DIODE_HIGH if y[0] < 0 else IDLE

    def cycle(self, x, t0, load, rec=None):
        """One clock cycle from phase 0.  Returns the states at its end, the on time (s) and the cycle's integrals."""
        p, t_end = self.p, self.t_cycle_s
        y = list(x) + [0.0] * N_QUAD
        t, y, t_on, t_off = self.switch_on_part(y, t0, load, rec)
        t_low = min(t_off + p.t_dead_s, t_end)
        t, y, mode, _ = self.advance(t, y, t_low, t0, self.dead_mode(y), False, load, rec)
        # diode emulation: a low side that would close at zero current opens again at once
        mode = IDLE if (p.diode_emulation and y[0] <= 0) else LOW
        t, y, mode, _ = self.advance(t, y, t_end, t0, mode, False, load, rec)
        if rec is not None:
            rec.on_time_s.append(t_off - t_on)
        return np.array(y[:self.n_state]), t_off - t_on, np.array(y[self.n_state:])

    def periodic(self, i_load):
        """Periodic steady state by Newton's method on the cycle map.  Returns state, residual and multipliers."""
        load = Load([(0.0, i_load)])
        x = self.guess(i_load)
        for _ in range(60):
            x = self.cycle(x, 0.0, load)[0]
        residual, jac = None, None
        for _ in range(12):
            fx = self.cycle(x, 0.0, load)[0]
            residual = float(np.max(np.abs(fx - x) / self.scale))
            if residual < 3.0 * self.rtol:
                break
            jac = self.map_jacobian(x, load)
            x = x - np.linalg.solve(jac - np.eye(len(x)), fx - x)
            x[0] = max(x[0], 0.0) if self.p.diode_emulation else x[0]
        if residual > 1e3 * self.rtol:
            raise RuntimeError(f"no periodic state, residual {residual}")
        return x, residual, np.abs(np.linalg.eigvals(self.map_jacobian(x, load)))

    def map_jacobian(self, x, load):
        cols = []
        for k, s in enumerate(self.scale):
            h = 2e-5 * s
            if k == 0 and self.p.diode_emulation and x[0] < h:  # current cannot be negative there: one-sided
                cols.append((self.cycle(x + h * np.eye(len(x))[k], 0.0, load)[0] - self.cycle(x, 0.0, load)[0]) / h)
                continue
            e = h * np.eye(len(x))[k]
            cols.append((self.cycle(x + e, 0.0, load)[0] - self.cycle(x - e, 0.0, load)[0]) / (2 * h))
        return np.array(cols).T


class VoltageModeBoard(Board):
    """Ramp comparator and type III op-amp compensator; compensator states v_1, v_3, v_2, v_c."""
    n_comp = 4

    def compensator(self, c, vo):
        p = self.p
        v_1, v_3, v_2, v_c = c
        r_b = p.r1_ohm * p.v_ref_v / (p.v_out_v - p.v_ref_v)
        v_m = v_c + v_2
        i_1, i_3 = (v_2 - v_1) / p.r2_ohm, (vo - v_m - v_3) / p.r3_ohm
        return [i_1 / p.c1_f, i_3 / p.c3_f, ((vo - v_m) / p.r1_ohm + i_3 - v_m / r_b - i_1) / p.c2_f,
                2 * math.pi * p.gbw_hz * (p.v_ref_v - v_m)]

    def comparator(self, t, y):
        return self.p.v_ramp_v * t / self.t_cycle_s - self.vc(y)

    def switch_on_part(self, y, t0, load, rec):
        """Dead time and high-side conduction; the comparator looks from the clock edge on."""
        p, t, t_trip = self.p, 0.0, None
        t, y, mode, hit = self.advance(t, y, p.t_dead_s, t0, self.dead_mode(y), True, load, rec)
        if hit:
            t_trip = t
            t, y, mode, _ = self.advance(t, y, p.t_dead_s, t0, mode, False, load, rec)
        if t_trip is None:
            t, y, _, hit = self.advance(t, y, self.t_cycle_s, t0, HIGH, True, load, rec)
            if not hit:
                raise RuntimeError("ramp never reached v_c: not covered by the conventions")
            t_trip = t
        t_off = max(t_trip + p.t_delay_s, p.t_dead_s)
        if t_off >= self.t_cycle_s:
            raise RuntimeError("turn-off falls into the next cycle: not covered by the conventions")
        t, y, _, _ = self.advance(t, y, t_off, t0, HIGH, False, load, rec)
        return t, y, p.t_dead_s, t_off

    def guess(self, i_load):
        p = self.p
        duty = p.v_out_v / p.v_in_v + 0.01
        v_c = p.v_ramp_v * (duty + (p.t_dead_s - p.t_delay_s) / self.t_cycle_s)
        ripple = p.v_out_v * (1 - duty) * self.t_cycle_s / p.l_table[1][0]
        x = [self.curve.flux(i_load - ripple / 2), -ripple * 0.3] + [p.v_out_v] * 2
        return np.array(x + [p.v_ref_v - v_c, p.v_out_v - p.v_ref_v, p.v_ref_v - v_c, v_c, p.v_out_v])


class CurrentModeBoard(Board):
    """Peak current comparator with slope compensation and transconductance compensator; states v_z, v_c."""
    n_comp = 2

    def compensator(self, c, vo):
        p = self.p
        v_z, v_c = c
        i_z = (v_c - v_z) / p.r_c_ohm
        i_out = p.gm_s * (p.v_ref_v - p.v_ref_v / p.v_out_v * vo)
        return [i_z / p.c_c_f, (i_out - v_c / p.r_o_ohm - i_z) / p.c_hf_f]

    def comparator(self, t, y):
        i = self.curve.current_and_inductance(y[0])[0]
        return i + self.p.slope_a_per_s * t - self.p.g_cs_a_per_v * self.vc(y)

    def switch_on_part(self, y, t0, load, rec):
        """Dead time, blanked high-side conduction, then conduction until the trip or the latest turn-off."""
        p = self.p
        t, y, _, _ = self.advance(0.0, y, p.t_dead_s, t0, self.dead_mode(y), False, load, rec)
        t, y, _, _ = self.advance(t, y, p.t_dead_s + p.min_on_s, t0, HIGH, False, load, rec)
        latest = self.t_cycle_s - p.min_off_s
        blank_end = t
        t, y, _, hit = self.advance(t, y, latest, t0, HIGH, True, load, rec)
        t_off = min(t + p.t_delay_s, latest) if hit else latest
        if rec is not None and not hit:
            rec.note("high side ended by the minimum off time")
        if rec is not None and t == blank_end:
            rec.note("minimum on time")
        t, y, _, _ = self.advance(t, y, t_off, t0, HIGH, False, load, rec)
        return t, y, p.t_dead_s, t_off

    def guess(self, i_load):
        p = self.p
        duty = p.v_out_v / p.v_in_v
        ripple = p.v_out_v * (1 - duty) * self.t_cycle_s / p.l_table[1][0]
        i_valley = max(i_load - ripple / 2, 0.01)
        v_c = (i_load + ripple / 2 + p.slope_a_per_s * duty * self.t_cycle_s) / p.g_cs_a_per_v
        return np.array([self.curve.flux(i_valley), p.v_out_v, v_c, v_c, p.v_out_v])


# --- measurements ------------------------------------------------------------------------------------------------------
def signal(board, step, which):
    """Function of absolute time for one step: which is 'vo', 'lp' or 'il'."""
    def at(t_abs):
        ph = t_abs - step.t0
        y = step.dense(ph).tolist()
        if which == "lp":
            return y[board.n_state - 1]
        i, _, vo = board.node(y, step.mode, step.load_at(ph), step.slope)
        return vo if which == "vo" else i
    return at


def extreme(board, rec, which, sign, t_from=-1.0, t_to=1e9):
    """Largest (sign 1) or smallest (sign -1) value with its time, refined inside every step whose samples come close."""
    n = len(THETAS)
    mid = np.array([0.5 * (s.a + s.b) for s in rec.steps])
    use = np.flatnonzero((mid > t_from) & (mid < t_to))
    v = sign * np.array(getattr(rec, which)).reshape(-1, n)[use]
    tt = np.array(rec.t).reshape(-1, n)[use]
    top = v.max(axis=1)
    best = int(np.argmax(top))
    value, when = top[best], tt[best, int(np.argmax(v[best]))]
    margin = 1e-3 * (v.max() - v.min())
    for k in np.flatnonzero(top > value - margin):
        step = rec.steps[use[k]]
        f = signal(board, step, which)
        j = int(np.argmax(v[k]))
        lo, hi = tt[k, max(j - 1, 0)], tt[k, min(j + 1, n - 1)]
        res = minimize_scalar(lambda u: -sign * f(lo + u * (hi - lo)), bounds=(0.0, 1.0), method="bounded", options={"xatol": 1e-7})
        if -res.fun > value:
            value, when = -res.fun, lo + res.x * (hi - lo)
    return float(sign * value), float(when)


def mean_output(board, rec, t_from, t_to):
    """Mean of v_o between two times from the running integral carried by the solver."""
    total = 0.0
    for s in rec.steps:
        a, b = max(s.a, t_from), min(s.b, t_to)
        if b > a:
            total += float(s.dense(b - s.t0)[board.n_state] - s.dense(a - s.t0)[board.n_state])
    return total / (t_to - t_from)


def recovery(board, rec, centre_v, band_v, t_from, t_to):
    """Time from first leaving the band to last re-entry, and both instants; zeros if never left."""
    n = len(THETAS)
    idx = [k for k, s in enumerate(rec.steps) if t_from < 0.5 * (s.a + s.b) < t_to]
    d = np.abs(np.array(rec.vo).reshape(-1, n)[idx].ravel() - centre_v) - band_v
    t = np.array(rec.t).reshape(-1, n)[idx].ravel()
    out = np.flatnonzero(d > 0)
    if len(out) == 0:
        return 0.0, 0.0, 0.0

    def crossing(k):  # between samples k and k+1; at a step boundary it is a jump or an exact contact
        if k // n != (k + 1) // n:
            return t[k + 1]
        f = signal(board, rec.steps[idx[k // n]], "vo")
        return brentq(lambda u: abs(f(u) - centre_v) - band_v, t[k], t[k + 1], xtol=1e-16)

    first = crossing(out[0] - 1) if out[0] > 0 else t[0]
    last = crossing(out[-1]) if out[-1] + 1 < len(t) else math.nan
    return float(last - first), float(first - t_from), float(last - t_from)


def steady(board, i_load):
    """Periodic steady state at a load (A) and its measurements."""
    x, residual, multipliers = board.periodic(i_load)
    rec = Record()
    x_end, on_s, q = board.cycle(x, 0.0, Load([(0.0, i_load)]), rec)
    t = board.t_cycle_s
    ex = {k: (extreme(board, rec, k, 1)[0], extreme(board, rec, k, -1)[0]) for k in ("vo", "lp", "il")}
    balance = q[3] - q[4] - q[5]  # source energy - load energy - losses, zero in a periodic state
    numbers = {
        "load_a": i_load, "duty": on_s / t, "on_time_s": on_s,
        "ripple_raw_v": ex["vo"][0] - ex["vo"][1], "ripple_20mhz_v": ex["lp"][0] - ex["lp"][1],
        "v_out_mean_v": q[0] / t, "v_out_max_v": ex["vo"][0], "v_out_min_v": ex["vo"][1],
        "i_l_max_a": ex["il"][0], "i_l_min_a": ex["il"][1], "i_l_rms_a": math.sqrt(q[2] / t), "i_l_mean_a": q[1] / t,
        "p_in_w": q[3] / t, "p_load_w": q[4] / t, "p_loss_w": q[5] / t,
    }
    checks = {"period_residual_scaled": residual, "largest_multiplier": float(multipliers.max()),
              "energy_balance_w": balance / t, "charge_balance_a": q[1] / t - i_load, "events": rec.notes}
    return x, numbers, checks


def run_load(board, x, load, t_end):
    """Run whole cycles until t_end is covered; the measurements cut the surplus off."""
    rec, k = Record(), 0
    while k * board.t_cycle_s < t_end - 1e-12:
        x = board.cycle(x, k * board.t_cycle_s, load, rec)[0]
        k += 1
    return rec


def load_step(board, states, hold_after_ramp, csv_path):
    """Load step and release from the steady state at the lower load."""
    p, t = board.p, board.t_cycle_s
    ramp = (p.step_high_a - p.step_low_a) / p.slew_a_per_s
    t_rel = p.hold_s + (ramp if hold_after_ramp else 0.0)
    t_end = t_rel + p.hold_s + (ramp if hold_after_ramp else 0.0)
    load = Load([(0.0, p.step_low_a), (ramp, p.step_high_a), (t_rel, p.step_high_a), (t_rel + ramp, p.step_low_a)])
    rec = run_load(board, states["low"][0], load, t_end)
    before, upper_steady = states["low"][1]["v_out_mean_v"], states["high"][1]["v_out_mean_v"]
    upper, final = mean_output(board, rec, t_rel - t, t_rel), mean_output(board, rec, t_end - t, t_end)
    n = {"release_start_s": t_rel, "run_end_s": t_end, "mean_before_step_v": before,
         "mean_last_cycle_before_release_v": upper, "mean_steady_upper_v": upper_steady, "mean_last_cycle_v": final}
    for name, a, b in (("step", 0.0, t_rel), ("release", t_rel, t_end)):
        for kind, which, unit in (("v_out", "vo", "v"), ("v_out_20mhz", "lp", "v"), ("i_l", "il", "a")):
            for word, sign in (("max", 1), ("min", -1)):
                v, when = extreme(board, rec, which, sign, a, b)
                n[f"{name}_{kind}_{word}_{unit}"] = v
                n[f"{name}_{kind}_{word}_after_{name}_s"] = when - a
    n["dip_v"] = before - n["step_v_out_min_v"]
    n["rise_v"] = n["release_v_out_max_v"] - upper
    n["rise_over_periodic_mean_v"] = n["release_v_out_max_v"] - upper_steady
    n["dip_20mhz_v"] = before - n["step_v_out_20mhz_min_v"]
    n["rise_20mhz_v"] = n["release_v_out_20mhz_max_v"] - upper
    n["i_l_peak_a"] = max(n["step_i_l_max_a"], n["release_i_l_max_a"])
    for name, centre, a, b in (("step", upper, 0.0, t_rel), ("release", final, t_rel, t_end)):
        keys = (f"{name}_recovery_s", f"{name}_band_left_after_{name}_s", f"{name}_band_reentered_after_{name}_s")
        n.update(zip(keys, recovery(board, rec, centre, BAND_FRACTION * p.v_out_v, a, b)))
    info = {"events": rec.notes, "on_time_min_s": min(rec.on_time_s), "on_time_max_s": max(rec.on_time_s)}
    if csv_path:
        write_csv(board, rec, t_end, csv_path)
    return n, info


def write_csv(board, rec, t_end, path):
    """Samples at k*1 us + 0.137 us, away from the clock edges."""
    starts = [s.a for s in rec.steps]
    lines, k = ["time_s,v_out_v,i_l_a"], 0
    while k * SAMPLE_STEP_S + SAMPLE_OFFSET_S < t_end:
        t = k * SAMPLE_STEP_S + SAMPLE_OFFSET_S
        step = rec.steps[bisect.bisect_right(starts, t) - 1]
        lines.append(f"{t:.9g},{signal(board, step, 'vo')(t):.9g},{signal(board, step, 'il')(t):.9g}")
        k += 1
    path.write_text("\n".join(lines) + "\n")


# --- boards ------------------------------------------------------------------------------------------------------------
def micro(*x):
    return [v * 1e-6 for v in x]


BOARDS = {
    "ticket-kiosk": (VoltageModeBoard, SimpleNamespace(
        v_in_v=48.0, v_out_v=12.0, fsw_hz=250e3, r_hs_25_ohm=26e-3, r_ls_25_ohm=18e-3, v_f_v=0.85, t_dead_s=35e-9,
        bank=[(39e-6, 1.3e-3, 0.3e-9), (150e-6, 22e-3, 3e-9)], v_ramp_v=4.8, t_delay_s=150e-9,
        r1_ohm=20e3, r3_ohm=1e3, c3_f=1.2e-9, r2_ohm=56e3, c1_f=1.2e-9, c2_f=27e-12, gbw_hz=8e6, v_ref_v=0.8, v_clamp_v=6.0,
        diode_emulation=False, r_dcr_ohm=44e-3, steady_a=2.5, step_low_a=1.0, step_high_a=3.5, slew_a_per_s=1e6, hold_s=1e-3,
        l_table=([0, 3.9, 5.46, 6.24, 7.02, 7.8, 8.58, 9.75, 11.7, 15.6, 23.4],
                 micro(33, 33, 32.5, 31.8, 29.7, 23.1, 15.5, 9.24, 5.94, 4.29, 3.3)))),
    "valve-controller": (CurrentModeBoard, SimpleNamespace(
        v_in_v=24.0, v_out_v=5.0, fsw_hz=400e3, r_hs_25_ohm=75e-3, r_ls_25_ohm=45e-3, v_f_v=0.8, t_dead_s=22e-9,
        bank=[(45e-6, 1.2e-3, 0.3e-9)], g_cs_a_per_v=5.0, slope_a_per_s=0.45e6, t_delay_s=0.0, min_on_s=90e-9, min_off_s=110e-9,
        gm_s=240e-6, r_o_ohm=4e6, r_c_ohm=51e3, c_c_f=330e-12, c_hf_f=15e-12, v_ref_v=0.8, v_clamp_v=1.2,
        diode_emulation=True, r_dcr_ohm=36e-3, steady_a=2.0, step_low_a=0.5, step_high_a=2.5, slew_a_per_s=1e6, hold_s=500e-6,
        l_table=([0, 1.32, 2.64, 3.96, 5.28, 6.6, 7.92, 9.9, 13.2, 19.8],
                 micro(10, 9.85, 9.4, 8.75, 7.9, 7.0, 6.1, 4.9, 3.5, 2.1)))),
}


def derive(name, rtol, max_step_s, csv_path=None):
    """All numbers of one board at one tolerance, and its checks."""
    cls, p = BOARDS[name]
    board = cls(p, rtol, max_step_s)
    x, numbers, checks = steady(board, p.steady_a)
    states = {"low": steady(board, p.step_low_a), "high": steady(board, p.step_high_a)}
    step, info = load_step(board, states, True, csv_path)
    other, other_info = load_step(board, states, False, None)
    out = {"steady": numbers, "steady_step_low": states["low"][1], "steady_step_high": states["high"][1],
           "load_step_hold_after_ramp": step, "load_step_hold_from_step_start": other}
    chk = {"steady": checks, "steady_step_low": states["low"][2], "steady_step_high": states["high"][2],
           "load_step_hold_after_ramp": info, "load_step_hold_from_step_start": other_info}
    return out, chk


def main():
    out_dir = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent
    result = {"versions": {"python": platform.python_version(), "numpy": np.__version__, "scipy": scipy.__version__},
              "tolerance": {"method": "DOP853", "rtol": RTOL, "rtol_self_check": RTOL * TIGHT_FACTOR,
                            "max_step_s": MAX_STEP_S, "max_step_self_check_s": MAX_STEP_TIGHT_S,
                            "atol": "rtol times 1 V, 1 A or L(0)*1 A"}, "boards": {}}
    for name in BOARDS:
        begin = time.time()
        numbers, checks = derive(name, RTOL, MAX_STEP_S, out_dir / f"{name}_step.csv")
        tight, tight_checks = derive(name, RTOL * TIGHT_FACTOR, MAX_STEP_TIGHT_S)
        diff = {g: {k: tight[g][k] - v for k, v in d.items()} for g, d in numbers.items()}
        result["boards"][name] = {"numbers": numbers, "self_check_difference_tight_minus_base": diff,
                                  "ill_determined_times": [f"{g}.{k}" for g, d in diff.items() for k, v in d.items()
                                                           if k.endswith("_s") and abs(v) > SETTLED_S], "checks": checks,
                                  "checks_tight": tight_checks, "run_time_s": round(time.time() - begin, 1)}
        print(name, "done in", result["boards"][name]["run_time_s"], "s", flush=True)
    (out_dir / "rederived.json").write_text(json.dumps(result, indent=1) + "\n")


if __name__ == "__main__":
    main()
