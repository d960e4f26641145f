"""The loops of `optistack.compiled_kernel`: one stack and one block of wavelengths at a time.

The arithmetic is that of `optistack.layer_optics`, which is the place to read it: fields E and K
carried from the back to the front, scaled so that only decaying exponentials occur; the sinc form
where q is close to zero. What a layer absorbs is always the closed form here: it is good for every
absorber, and without it each layer would need a decision.

Everything that a block needs lies in one array of doubles, in rows of `ROW` values, real and
imaginary parts apart, with offsets that the compiler knows: it then sees that rows do not overlap
and works on four or eight wavelengths with one instruction. No sum here may be reordered (flag
"reassoc"): rounding to a whole number by adding a large one depends on the order.

Without numba this module is plain Python with the same answers, far too slow to use.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from typing import Any

import numpy as np


def _by_bits(shifted: float) -> float:
    """2^m, where ``shifted`` is m + _ROUND + 1023: its last bits are the exponent."""
    (whole,) = struct.unpack("<q", struct.pack("<d", shifted))
    (value,) = struct.unpack("<d", struct.pack("<Q", (whole << 52) & ((1 << 64) - 1)))
    return float(value)


def _no_matter() -> None:
    """Vectors of eight numbers, where the processor has them; compilers like to stay with four."""


_power_of_two: Any = _by_bits
_wide: Any = _no_matter

_LOOSE = ("contract", "nsz", "arcp")

try:
    from llvmlite import ir
    from numba import njit, types
    from numba.extending import intrinsic

    def _compile(*flags: str) -> Callable[[Any], Any]:
        # Left as functions of their own they would be compiled once more for each that calls them,
        # and which of them runs, with which roundings, depended on who compiled: this process or
        # the one that filled the cache.
        return njit(nogil=True, error_model="numpy", fastmath=set(flags), forceinline=True)

    def _entrance(function: Any) -> Any:
        options: dict[str, Any] = {"nogil": True, "error_model": "numpy", "fastmath": set(_LOOSE)}
        try:
            return njit(cache=True, **options)(function)
        except RuntimeError:  # no folder that can be written to: compiled in every process
            return njit(**options)(function)

    def _shift_bits(_context: Any, shifted: Any) -> Any:  # noqa: ARG001 - numba reads the name
        def build(_context: Any, builder: Any, _signature: Any, args: Any) -> Any:
            whole = builder.bitcast(args[0], ir.IntType(64))
            whole = builder.shl(whole, ir.Constant(ir.IntType(64), 52))
            return builder.bitcast(whole, ir.DoubleType())

        return types.float64(types.float64), build

    _power_of_two = intrinsic(_shift_bits)

    def _ask_for_width(_context: Any) -> Any:
        def build(context: Any, builder: Any, _signature: Any, _args: Any) -> Any:
            # llvmlite keeps a list of the attributes that it knows, and this is none of them.
            set.add(builder.function.attributes, '"prefer-vector-width"="512"')
            return context.get_dummy_value()

        return types.none(), build

    _wide = intrinsic(_ask_for_width)

except ImportError:

    def _compile(*_flags: str) -> Callable[[Any], Any]:
        return _entrance

    def _entrance(function: Any) -> Any:
        return function


_plain = _compile(*_LOOSE)
_rounded = _compile("nsz", "arcp")
_reordered = _compile(*_LOOSE, "reassoc")

ROW = 256
# Blocks are filled up to a multiple of this, so that no loop has a rest.
STEP = 32

# Rows of the block itself.
_ER, _EI, _KR, _KI, _KX2, _K0 = 0, 1, 2, 3, 4, 5
_R, _T, _ENTER, _FROM_R, _FROM_I = 6, 7, 8, 9, 10  # answers of one run; its amplitude
_SHARE, _ALL_R, _ALL_T, _ALL_ENTER = 11, 12, 13, 14  # weight of a direction; sums over directions
_B_ER, _B_EI, _B_KR, _B_KI = 15, 16, 17, 18  # fields at the bottom of a layer
_POWER, _EXCESS, _DOWN, _SINE, _COSINE, _UP, _NEXT = 19, 20, 21, 22, 23, 24, 25
_BLOCK_ROWS = 26
# Rows of every medium.
_NR, _NI, _QR, _QI, _INV, _DECAY, _EM, _DS, _DC, _FOUND = 0, 1, 2, 3, 4, 5, 6, 7, 8, 9
_N2R, _N2I, _IN2, _A, _SUM = 10, 11, 12, 13, 14
# Of the run below an incoherent medium (or the first run): R, T and excess lit from above, and from
# below; net reflectance and what enters; whether a wave only fades.
_D_R, _D_T, _D_X, _U_R, _U_T, _U_X, _SEEN, _ENTERS, _FADES, _BACK_A = (
    15, 16, 17, 18, 19, 20, 21, 22, 23, 24,
)  # fmt: skip
_MEDIUM = 25 * ROW

_LARGE_INV = 1 / 0.05**2
_SMALL_PHASE2 = (2 * 0.3) ** 2
_STILL = 1e-100
_ROUND = 1.5 * 2.0**52
_PER_HALVING = -1 / math.log(2)
_TURN = 1 / (2 * math.pi)
# Interpolation in Chebyshev points, with many digits, errors below 1.3e-16.
# (2^f - 1)/f for |f| <= 1/2:
_E = (
    0.6931471805599453, 0.24022650695910097, 0.0555041086648216, 0.009618129107606888,
    0.0013333558146416936, 0.0001540353044173605, 1.525273382983612e-05, 1.3215442587921336e-06,
    1.0178062445845584e-07, 7.072585949340003e-09, 4.454960598224245e-10,
)  # fmt: skip
# sin(pi r)/r and cos(pi r) in r^2 for |r| <= 1/2:
_S = (
    3.141592653589793, -5.167712780049969, 2.5501640398773007, -0.5992645293189447,
    0.0821458865731029, -0.007370430505916944, 0.0004662998161898394, -2.1903497074626018e-05,
    7.697826768224191e-07,
)  # fmt: skip
_C = (
    1.0, -4.934802200544679, 4.058712126416768, -1.3352627688545549, 0.235330630357995,
    -0.025806891376592964, 0.0019295741872812349, -0.00010463741681752138, 4.300724172734847e-06,
    -1.34352129509532e-07,
)  # fmt: skip
_E0, _E1, _E2, _E3, _E4, _E5, _E6, _E7, _E8, _E9, _E10 = _E
_S0, _S1, _S2, _S3, _S4, _S5, _S6, _S7, _S8 = _S
_C0, _C1, _C2, _C3, _C4, _C5, _C6, _C7, _C8, _C9 = _C
_GAUSS_X, _GAUSS_W = np.polynomial.legendre.leggauss(8)


@_plain
def _phases(s, m, d, nb):  # type: ignore[no-untyped-def]
    """exp and sine of a layer's phase: decay, 1 - decay, decay sin x, decay (1 - cos x)."""
    _wide()
    for w in range(nb):
        qr, qi = m[_QR * ROW + w], m[_QI * ROW + w]
        kd = s[_K0 * ROW + w] * d
        t = (kd * qi) * _PER_HALVING
        gone = t < -1022.0
        t = -1022.0 if gone else t
        whole = (t + _ROUND) - _ROUND
        f = t - whole
        g = _E8 + f * (_E9 + f * _E10)
        g = _E2 + f * (_E3 + f * (_E4 + f * (_E5 + f * (_E6 + f * (_E7 + f * g)))))
        g = f * (_E0 + f * (_E1 + f * g))
        scale = _power_of_two(whole + (_ROUND + 1023.0))
        em = (1.0 - scale) - scale * g
        decay = scale + scale * g
        decay = 0.0 if gone else decay
        m[_EM * ROW + w] = em
        m[_DECAY * ROW + w] = decay
        u = (kd * qr) * _TURN
        r = u - ((u + _ROUND) - _ROUND)
        # A phase that large is rounded to more than a turn: it means nothing, but must stay one.
        r = r if u < 2.0**50 else 0.0
        z = r * r
        sine = _S2 + z * (_S3 + z * (_S4 + z * (_S5 + z * (_S6 + z * (_S7 + z * _S8)))))
        sine = r * (_S0 + z * (_S1 + z * sine))
        cosine = _C3 + z * (_C4 + z * (_C5 + z * (_C6 + z * (_C7 + z * (_C8 + z * _C9)))))
        cosine = _C0 + z * (_C1 + z * (_C2 + z * cosine))
        double = 2.0 * decay * sine  # half angles
        m[_DS * ROW + w] = double * cosine
        m[_DC * ROW + w] = double * sine


@_rounded
def _refract(s, m, ambient, nb, absorbing):  # type: ignore[no-untyped-def]
    """q of a medium for oblique light; at how many wavelengths it is close to 0.

    Rounded after every step, as numpy does: at the critical angle q is the root of what rounding
    leaves of q^2, and both engines must find the same.
    """
    _wide()
    near = 0
    for w in range(nb):
        nr, ni = m[_NR * ROW + w], m[_NI * ROW + w]
        n0 = ambient[_NR * ROW + w]
        c = n0 * s[_COSINE * ROW + w]
        real = (nr - n0) * (nr + n0) - ni * ni + c * c
        if absorbing:
            plain = (nr - ni) * (nr + ni) - s[_KX2 * ROW + w]
            real = plain if ambient[_NI * ROW + w] > 0 else real
        product = nr * ni
        # Squares may run out of numbers: not those of numbers that are made larger first.
        double = 2.0 * product
        tiny = max(abs(real), double) < 1e-140
        up, down = (2.0**700 if tiny else 1.0), (2.0**-700 if tiny else 1.0)
        x, y = real * up, double * up
        larger = math.sqrt((math.sqrt(x * x + y * y) * down + abs(real)) * 0.5)
        smaller = product / (larger + 1e-300)
        m[_QR * ROW + w] = smaller if real < 0 else larger
        m[_QI * ROW + w] = larger if real < 0 else smaller
        inv = 1.0 / (smaller * smaller + larger * larger)
        m[_INV * ROW + w] = inv
        near += 1 if inv > _LARGE_INV else 0
    return near


@_plain
def _step_s(s, m, nb):  # type: ignore[no-untyped-def]
    _wide()
    for w in range(nb):
        er, ei = s[_ER * ROW + w], s[_EI * ROW + w]
        kr, ki = s[_KR * ROW + w], s[_KI * ROW + w]
        qr, qi = m[_QR * ROW + w], m[_QI * ROW + w]
        inv, decay = m[_INV * ROW + w], m[_DECAY * ROW + w]
        em, ds, dc = m[_EM * ROW + w], m[_DS * ROW + w], m[_DC * ROW + w]
        fr, fi = qr * inv, qi * inv  # 1/q, the imaginary part with the other sign
        ratio_r, ratio_i = kr * fr + ki * fi, ki * fr - kr * fi
        ur, ui, vr, vi = er - ratio_r, ei - ratio_i, er + ratio_r, ei + ratio_i
        cr, ci = 0.5 * (em + dc), 0.5 * ds
        xr, xi = cr * vr + ci * vi, cr * vi - ci * vr
        s[_ER * ROW + w] = er - xr
        s[_EI * ROW + w] = ei - xi
        s[_KR * ROW + w] = kr - (qr * xr - qi * xi)
        s[_KI * ROW + w] = ki - (qr * xi + qi * xr)
        travelling = em * qr * ((ur * ur + ui * ui) + (vr * vr + vi * vi) * decay)
        standing = (ur * vr + ui * vi) * ds + (ui * vr - ur * vi) * dc
        m[_FOUND * ROW + w] = 0.25 * (travelling + 2.0 * qi * standing)


@_plain
def _step_p(s, m, nb):  # type: ignore[no-untyped-def]
    _wide()
    for w in range(nb):
        er, ei = s[_ER * ROW + w], s[_EI * ROW + w]
        kr, ki = s[_KR * ROW + w], s[_KI * ROW + w]
        qr, qi = m[_QR * ROW + w], m[_QI * ROW + w]
        inv, decay = m[_INV * ROW + w], m[_DECAY * ROW + w]
        em, ds, dc = m[_EM * ROW + w], m[_DS * ROW + w], m[_DC * ROW + w]
        n2r, n2i, in2 = m[_N2R * ROW + w], m[_N2I * ROW + w], m[_IN2 * ROW + w]
        hr, hi = (n2r * qr + n2i * qi) * inv, (n2i * qr - n2r * qi) * inv  # eta
        fr, fi = (qr * n2r + qi * n2i) * in2, (qr * n2i - qi * n2r) * in2  # as in _step_s
        ratio_r, ratio_i = kr * fr + ki * fi, ki * fr - kr * fi
        ur, ui, vr, vi = er - ratio_r, ei - ratio_i, er + ratio_r, ei + ratio_i
        cr, ci = 0.5 * (em + dc), 0.5 * ds
        xr, xi = cr * vr + ci * vi, cr * vi - ci * vr
        s[_ER * ROW + w] = er - xr
        s[_EI * ROW + w] = ei - xi
        s[_KR * ROW + w] = kr - (hr * xr - hi * xi)
        s[_KI * ROW + w] = ki - (hr * xi + hi * xr)
        kappa = s[_KX2 * ROW + w] * inv
        travelling = em * qr * ((ur * ur + ui * ui) + (vr * vr + vi * vi) * decay)
        standing = (ur * vr + ui * vi) * ds + (ui * vr - ur * vi) * dc
        m[_FOUND * ROW + w] = 0.25 * (
            (1.0 + kappa) * travelling + (1.0 - kappa) * (2.0 * qi) * standing
        )


@_plain
def _sinc(delta):  # type: ignore[no-untyped-def]
    _wide()
    d2 = delta * delta
    out = 1.0 + 0j
    for k in range(8):
        order = 17 - 2 * k
        out = 1 - d2 / (order * (order - 1)) * out
    return out


@_plain
def _sinc_step(e, k, q, n2, p, height):  # type: ignore[no-untyped-def]
    _wide()
    delta = q * height
    wave = _sinc(delta)
    slant = 1j * height * wave
    cosine = np.sqrt(1 - (delta * wave) * (delta * wave))
    if p:
        return cosine * e + slant * (q * q) / n2 * k, cosine * k + slant * n2 * e
    return cosine * e + slant * k, cosine * k + slant * (q * q) * e


@_plain
def _remember(s, nb):  # type: ignore[no-untyped-def]
    for w in range(nb):
        s[_B_ER * ROW + w], s[_B_EI * ROW + w] = s[_ER * ROW + w], s[_EI * ROW + w]
        s[_B_KR * ROW + w], s[_B_KI * ROW + w] = s[_KR * ROW + w], s[_KI * ROW + w]


@_plain
def _step_special(s, m, d, nb, p):  # type: ignore[no-untyped-def]
    """The sinc form of the layer matrix where it is needed, from the fields at the bottom."""
    for w in range(nb):
        qr, qi = m[_QR * ROW + w], m[_QI * ROW + w]
        kd = s[_K0 * ROW + w] * d
        inv = m[_INV * ROW + w]
        here = inv > _LARGE_INV and kd * kd < _SMALL_PHASE2 * inv
        if not here:
            continue
        q = complex(qr, qi)
        n2 = complex(m[_N2R * ROW + w], m[_N2I * ROW + w])
        e = complex(s[_B_ER * ROW + w], s[_B_EI * ROW + w])
        k = complex(s[_B_KR * ROW + w], s[_B_KI * ROW + w])
        k0d = 0.5 * kd
        scale = np.exp(1j * q * k0d)
        top_e, top_k = _sinc_step(e, k, q, n2, p, k0d)
        s[_ER * ROW + w], s[_EI * ROW + w] = (scale * top_e).real, (scale * top_e).imag
        s[_KR * ROW + w], s[_KI * ROW + w] = (scale * top_k).real, (scale * top_k).imag
        mean = 0.0
        for i in range(8):
            in_e, in_k = _sinc_step(e, k, q, n2, p, (1 + _GAUSS_X[i]) / 2 * k0d)
            square = in_e.real * in_e.real + in_e.imag * in_e.imag
            if p:
                slope = in_k / n2
                square += s[_KX2 * ROW + w] * (slope.real * slope.real + slope.imag * slope.imag)
            mean += _GAUSS_W[i] / 2 * square
        m[_FOUND * ROW + w] = mean * math.exp(-kd * qi) * (kd * qi * qr)


@_plain
def _bottom(s, m, nb, p):  # type: ignore[no-untyped-def]
    _wide()
    for w in range(nb):
        qr, qi = m[_QR * ROW + w], m[_QI * ROW + w]
        if p:
            s[_ER * ROW + w], s[_EI * ROW + w] = qr, qi
            s[_KR * ROW + w], s[_KI * ROW + w] = -m[_N2R * ROW + w], -m[_N2I * ROW + w]
        else:
            s[_ER * ROW + w], s[_EI * ROW + w] = 1.0, 0.0
            s[_KR * ROW + w], s[_KI * ROW + w] = -qr, -qi


@_plain
def _top(s, m, nb, p):  # type: ignore[no-untyped-def]
    """Split the fields at the top into the incident and the reflected wave."""
    _wide()
    for w in range(nb):
        er, ei = s[_ER * ROW + w], s[_EI * ROW + w]
        kr, ki = s[_KR * ROW + w], s[_KI * ROW + w]
        qr, qi = m[_QR * ROW + w], m[_QI * ROW + w]
        if p:
            br, bi = m[_N2R * ROW + w], m[_N2I * ROW + w]
            mr, mi = qr * kr - qi * ki, qr * ki + qi * kr
            carried, slant = br * qr + bi * qi, bi * qr - br * qi
        else:
            br, bi, mr, mi, carried, slant = qr, qi, kr, ki, qr, qi
        lr, li = br * er - bi * ei, br * ei + bi * er
        ir, ii = lr - mr, li - mi
        sr, si = lr + mr, li + mi
        inv = 1.0 / (ir * ir + ii * ii)
        ar, ai = (sr * ir + si * ii) * inv, (si * ir - sr * ii) * inv
        slope = slant / carried
        moves = carried > _STILL
        r = ar * ar + ai * ai
        power = 4.0 * carried * inv * (1.0 + slope * slope)
        excess = 2.0 * slope * ai
        # An evanescent or grazing wave brings no power: nothing enters, whatever the fields.
        s[_R * ROW + w] = r if moves else 1.0
        s[_POWER * ROW + w] = power if moves else 0.0
        s[_EXCESS * ROW + w] = excess if moves else 0.0
        s[_FROM_R * ROW + w], s[_FROM_I * ROW + w] = ar, ai


@_plain
def _absorb_back(s, m, nb):  # type: ignore[no-untyped-def]
    _wide()
    for w in range(nb):
        power = s[_POWER * ROW + w]
        m[_BACK_A * ROW + w] = power * m[_FOUND * ROW + w]
        s[_POWER * ROW + w] = power * m[_DECAY * ROW + w]


@_plain
def _absorb(s, m, nb):  # type: ignore[no-untyped-def]
    _wide()
    for w in range(nb):
        power = s[_POWER * ROW + w]
        m[_A * ROW + w] = power * m[_FOUND * ROW + w]
        s[_POWER * ROW + w] = power * m[_DECAY * ROW + w]


@_plain
def _absorb_into(s, m, out, nb, count):  # type: ignore[no-untyped-def]
    """`_absorb`, straight to where it is wanted."""
    _wide()
    for w in range(count):
        out[w] = s[_POWER * ROW + w] * m[_FOUND * ROW + w]
    for w in range(nb):
        s[_POWER * ROW + w] *= m[_DECAY * ROW + w]


@_plain
def _transmit(s, m, nb, p):  # type: ignore[no-untyped-def]
    _wide()
    for w in range(nb):
        flux = m[_QR * ROW + w]
        if p:
            flux = flux * m[_N2R * ROW + w] + m[_QI * ROW + w] * m[_N2I * ROW + w]
        s[_T * ROW + w] = s[_POWER * ROW + w] * flux


@_plain
def _run(  # type: ignore[no-untyped-def]
    s, media, d, near, top, bottom, row, nb, p, fresh, out, start, count
):  # fmt: skip
    """The coherent layers between two media, lit from ``top``; absorptances into ``row``.

    With a ``count``: absorptances of so many wavelengths from ``start`` on into ``out`` instead.

    ``fresh``: their phases are not known yet. They are found just before they are used, while what
    they need is in the cache.
    """
    _wide()
    step = 1 if bottom > top else -1
    _bottom(s, media[bottom], nb, p)
    for i in range(bottom - step, top, -step):
        m = media[i]
        if near[i] > 0:
            _remember(s, nb)
        if fresh:
            _phases(s, m, d[i - 1], nb)
        if p:
            _step_p(s, m, nb)
        else:
            _step_s(s, m, nb)
        if near[i] > 0:
            _step_special(s, m, d[i - 1], nb, p)
    _top(s, media[top], nb, p)
    for i in range(top + step, bottom, step):
        if count > 0:
            _absorb_into(s, media[i], out[i - 1, start : start + count], nb, count)
        elif row == _A * ROW:
            _absorb(s, media[i], nb)
        else:
            _absorb_back(s, media[i], nb)
    _transmit(s, media[bottom], nb, p)


@_plain
def _keep(s, m, r, t, x, nb):  # type: ignore[no-untyped-def]
    _wide()
    for w in range(nb):
        m[r + w] = s[_R * ROW + w]
        m[t + w] = s[_T * ROW + w]
        m[x + w] = s[_EXCESS * ROW + w]


@_plain
def _meet(above, below, nb):  # type: ignore[no-untyped-def]
    """Net reflectance above a run, from that below the incoherent medium under it."""
    _wide()
    for w in range(nb):
        fades = below[_QI * ROW + w] > below[_QR * ROW + w]
        one_way = 0.0 if fades else below[_DECAY * ROW + w]
        round_trip = one_way * one_way * below[_SEEN * ROW + w]
        closed = 1.0 - above[_U_R * ROW + w] * round_trip
        # Where light could never leave (total reflection on both sides) none has come in.
        enters = above[_D_T * ROW + w] / closed
        enters = enters if closed > 0 else 0.0
        above[_ENTERS * ROW + w] = enters
        above[_SEEN * ROW + w] = above[_D_R * ROW + w] + enters * round_trip * above[_U_T * ROW + w]


@_plain
def _pass_on(s, above, below, nb):  # type: ignore[no-untyped-def]
    """Intensities through a run and the incoherent medium below it, and what that absorbs."""
    _wide()
    for w in range(nb):
        fades = below[_QI * ROW + w] > below[_QR * ROW + w]
        one_way = 0.0 if fades else below[_DECAY * ROW + w]
        top_down = s[_DOWN * ROW + w] * above[_ENTERS * ROW + w]
        bottom_down = top_down * one_way
        bottom_up = bottom_down * below[_SEEN * ROW + w]
        top_up = bottom_up * one_way
        absorbed = (top_down + bottom_up) * (1.0 if fades else below[_EM * ROW + w])
        absorbed -= top_up * above[_U_X * ROW + w]
        absorbed -= bottom_down * below[_D_X * ROW + w]
        below[_A * ROW + w] = absorbed
        s[_UP * ROW + w] = top_up
        s[_NEXT * ROW + w] = bottom_down


@_plain
def _light(s, m, nb, twice):  # type: ignore[no-untyped-def]
    """Absorptance of a layer in a run of known lighting, from one side or from both."""
    _wide()
    for w in range(nb):
        a = s[_DOWN * ROW + w] * m[_A * ROW + w]
        if twice:
            a += s[_UP * ROW + w] * m[_BACK_A * ROW + w]
        m[_A * ROW + w] = a


@_plain
def _chain(s, media, d, near, stops, nb, p, fresh, out, start, count):  # type: ignore[no-untyped-def]
    """A whole stack, lit from the ambient; ``stops`` are the media between coherent runs.

    ``count``: as in `_run`, for a stack of a single run.
    """
    _wide()
    runs = len(stops) - 1
    for g in range(runs):
        above = media[stops[g]]
        ends = stops[g], stops[g + 1]
        _run(s, media, d, near, *ends, _A * ROW, nb, p, fresh, out, start, count)
        if runs == 1:
            for w in range(nb):
                s[_ENTER * ROW + w] = (1.0 - s[_R * ROW + w]) + s[_EXCESS * ROW + w]
            return
        _keep(s, above, _D_R * ROW, _D_T * ROW, _D_X * ROW, nb)
        # The last run is never lit from below: nothing comes back from the substrate.
        if g < runs - 1:
            if fresh:
                _phases(s, media[stops[g + 1]], d[stops[g + 1] - 1], nb)
            ends = stops[g + 1], stops[g]
            _run(s, media, d, near, *ends, _BACK_A * ROW, nb, p, False, out, start, 0)
            _keep(s, above, _U_R * ROW, _U_T * ROW, _U_X * ROW, nb)
    last = media[stops[runs - 1]]
    for w in range(nb):
        last[_SEEN * ROW + w] = last[_D_R * ROW + w]
        s[_DOWN * ROW + w] = 1.0
    for g in range(runs - 2, -1, -1):
        _meet(media[stops[g]], media[stops[g + 1]], nb)
    for g in range(runs):
        more = g < runs - 1
        if more:
            _pass_on(s, media[stops[g]], media[stops[g + 1]], nb)
        for i in range(stops[g] + 1, stops[g + 1]):
            _light(s, media[i], nb, more)
        if more:
            for w in range(nb):
                s[_DOWN * ROW + w] = s[_NEXT * ROW + w]
    first = media[0]
    for w in range(nb):
        s[_T * ROW + w] = s[_DOWN * ROW + w] * last[_D_T * ROW + w]
        s[_R * ROW + w] = first[_SEEN * ROW + w]
        s[_ENTER * ROW + w] = (1.0 - first[_SEEN * ROW + w]) + first[_D_X * ROW + w]


@_plain
def _fill(row, values, start, nb):  # type: ignore[no-untyped-def]
    """Copy a part of some values; a single one is for all, and the last goes on past the end."""
    _wide()
    count = min(nb, len(values) - start) if len(values) > 1 else 0
    for w in range(count):
        row[w] = values[start + w]
    last = values[start + count - 1] if len(values) > 1 else values[0]
    for w in range(count, nb):
        row[w] = last


@_plain
def _clear(row, nb):  # type: ignore[no-untyped-def]
    _wide()
    for w in range(nb):
        row[w] = 0.0


@_plain
def _add(s, values, total, nb):  # type: ignore[no-untyped-def]
    _wide()
    for w in range(nb):
        total[w] += s[_SHARE * ROW + w] * values[w]


@_reordered
def _product(weights, row, start, count):  # type: ignore[no-untyped-def]
    _wide()
    total = 0.0
    for w in range(count):
        total += weights[start + w] * row[w]
    return total


@_plain
def _hand_over(rows, step, first, last, target, weights, start, count):  # type: ignore[no-untyped-def]
    """Rows of answers, ``step`` apart, to where they are wanted, or their weighted sums."""
    _wide()
    for i in range(first, last):
        row, into = rows[i * step : i * step + count], target[i - first]
        for j in range(weights.shape[0]):
            into[j] += _product(weights[j], row, start, count)
        if weights.shape[0] == 0:
            for w in range(count):
                into[start + w] = row[w]


@_plain
def _prepare(s, media, near, nb, absorbing):  # type: ignore[no-untyped-def]
    """q of all media for one oblique direction."""
    _wide()
    for w in range(nb):
        kx = media[0, _NR * ROW + w] * s[_SINE * ROW + w]
        s[_KX2 * ROW + w] = kx * kx
    for i in range(media.shape[0]):
        near[i] = _refract(s, media[i], media[0], nb, absorbing)


@_plain
def _read(m, n, start, nb):  # type: ignore[no-untyped-def]
    """n of a medium, n^2, and q as it is at normal incidence.

    Returns at how many wavelengths the medium absorbs, and at how many q is close to 0.
    """
    _wide()
    _fill(m[_NR * ROW :], n[:, 0], start, nb)
    _fill(m[_NI * ROW :], n[:, 1], start, nb)
    absorbs = near = 0
    for w in range(nb):
        nr, ni = m[_NR * ROW + w], m[_NI * ROW + w]
        m[_QR * ROW + w] = nr
        m[_QI * ROW + w] = ni
        inv = 1.0 / (nr * nr + ni * ni)
        m[_INV * ROW + w] = inv
        n2r, n2i = (nr - ni) * (nr + ni), 2.0 * (nr * ni)
        m[_N2R * ROW + w] = n2r
        m[_N2I * ROW + w] = n2i
        m[_IN2 * ROW + w] = 1.0 / (n2r * n2r + n2i * n2i)
        absorbs += 1 if ni > 0 else 0
        near += 1 if inv > _LARGE_INV else 0
    return absorbs, near


def scratch_size(layers: int) -> int:
    """Doubles that `solve_tasks` needs to work with."""
    return _BLOCK_ROWS * ROW + (layers + 2) * _MEDIUM


@_entrance
def solve_tasks(  # type: ignore[no-untyped-def]
    stacks, wavelengths, n, n_pick, d, k0, sine, cosine, angle_weight, pick, oblique, kinds,
    stops, summed, answers, a, amplitude, weights, scratch,
):  # fmt: skip
    """Solve some stacks (first, last) at some wavelengths (first, last).

    n : (row, medium, 1 or wavelength, 2); n_pick : (stack,) its rows
    d : (stack, layer); k0 : (wavelength,) 4 pi / wavelength
    sine, cosine, angle_weight : (row, angle, 1 or wavelength); pick : (stack,) their rows
    oblique : False where all angles are 0; there is one angle then
    kinds : 0 s, 1 p, 2 the mean; stops : media between coherent runs
    summed : over the angles, with the angle weights
    answers : (stack, angle, 3, wavelength), for R, T and the power that enters
    a : (stack, angle, layer, wavelength)
        Both with one angle if ``summed``. With ``weights`` (weight, wavelength), weight instead of
        wavelength, to be 0 before.
    amplitude : (stack, angle, wavelength), complex, or empty
    scratch : (`scratch_size`,)
    """
    _wide()
    count_media, angles = n.shape[1], cosine.shape[1]
    s, flat = scratch[: _BLOCK_ROWS * ROW], scratch[_BLOCK_ROWS * ROW :]
    media = flat.reshape((count_media, _MEDIUM))
    near = np.zeros(count_media, dtype=np.int64)
    both = oblique and kinds == 2
    gather = both or summed
    direct = not gather and len(stops) == 2 and weights.shape[0] == 0
    absorbing = False
    span = wavelengths[1] - wavelengths[0]
    block = (span + ROW - 1) // ROW
    block = (span + block * STEP - 1) // (block * STEP) * STEP
    for task in range((span + block - 1) // block * (stacks[1] - stacks[0])):
        number, stack = divmod(task, stacks[1] - stacks[0])
        stack += stacks[0]
        start = wavelengths[0] + number * block
        count = min(block, wavelengths[1] - start)
        nb = (count + STEP - 1) // STEP * STEP
        if stack == stacks[0]:
            _fill(s[_K0 * ROW :], k0, start, nb)
        if stack == stacks[0] or n_pick[stack] != n_pick[stack - 1]:
            for i in range(count_media):
                absorbs, near[i] = _read(media[i], n[n_pick[stack], i], start, nb)
                if i == 0:
                    absorbing = absorbs > 0
        for angle in range(angles):
            if oblique:
                _fill(s[_SINE * ROW :], sine[pick[stack], angle], start, nb)
                _fill(s[_COSINE * ROW :], cosine[pick[stack], angle], start, nb)
                _prepare(s, media, near, nb, absorbing)
            if gather:
                _fill(s[_SHARE * ROW :], angle_weight[pick[stack], angle], start, nb)
                for w in range(nb):
                    s[_SHARE * ROW + w] *= 0.5 if both else 1.0
                if angle == 0 or not summed:
                    _clear(s[_ALL_R * ROW :], nb)
                    _clear(s[_ALL_T * ROW :], nb)
                    _clear(s[_ALL_ENTER * ROW :], nb)
                    for i in range(1, count_media - 1):
                        _clear(media[i, _SUM * ROW :], nb)
            for kind in range(2):
                # At normal incidence s and p are the same.
                if (kinds < 2 and kind != kinds) if oblique else kind == 1:
                    continue
                fresh = kind == 0 or not both
                out = a[stack, 0 if summed else angle]
                into = count if direct else 0
                p = oblique and kind == 1
                _chain(s, media, d[stack], near, stops, nb, p, fresh, out, start, into)
                if gather:
                    _add(s, s[_R * ROW :], s[_ALL_R * ROW :], nb)
                    _add(s, s[_T * ROW :], s[_ALL_T * ROW :], nb)
                    _add(s, s[_ENTER * ROW :], s[_ALL_ENTER * ROW :], nb)
                    for i in range(1, count_media - 1):
                        _add(s, media[i, _A * ROW :], media[i, _SUM * ROW :], nb)
            if summed and angle < angles - 1:
                continue
            at = 0 if summed else angle
            total, layer = (_ALL_R, _SUM) if gather else (_R, _A)
            _hand_over(s[total * ROW :], ROW, 0, 3, answers[stack, at], weights, start, count)
            if not direct:
                inner, last = flat[layer * ROW :], count_media - 1
                _hand_over(inner, _MEDIUM, 1, last, a[stack, at], weights, start, count)
            if amplitude.size > 0:
                for w in range(count):
                    amplitude[stack, at, start + w] = complex(
                        s[_FROM_R * ROW + w], s[_FROM_I * ROW + w]
                    )
