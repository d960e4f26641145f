"""Dielectric functions that obey causality: oscillators, mixtures, and the Kramers-Kronig integral.

Energies are in eV, the dielectric function is eps = eps1 + i eps2 = (n + ik)^2 with eps2 >= 0.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import OptistackError, RangeError
from optistack.filters import slab_internal
from optistack.materials import LARGEST_INDEX, Material

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Rule = Literal["bruggeman", "maxwell_garnett"]

EV_NM = 1239.8419843320026  # h c / e in eV nm, exact in the 2019 SI

# --- oscillators ------------------------------------------------------------------------------


def drude(energy_ev: Real, plasma_ev: float, damping_ev: float) -> Complex:
    """Free carriers: -Ep^2 / (E^2 + i G E).

    Source: M. Fox, Optical Properties of Solids, ch. 7 (textbook, from memory).
    """
    e = np.asarray(energy_ev, dtype=float)
    return np.asarray(-(plasma_ev**2) / (e * e + 1j * damping_ev * e))


def lorentz(energy_ev: Real, strength: float, centre_ev: float, damping_ev: float) -> Complex:
    """A bound charge: f E0^2 / (E0^2 - E^2 - i G E).

    Source: M. Fox, Optical Properties of Solids, ch. 2 (textbook, from memory).
    """
    e = np.asarray(energy_ev, dtype=float)
    return np.asarray(strength * centre_ev**2 / (centre_ev**2 - e * e - 1j * damping_ev * e))


def tauc_lorentz_eps(
    energy_ev: ArrayLike,
    amplitude_ev: float,
    centre_ev: float,
    broadening_ev: float,
    gap_ev: float,
) -> Complex:
    """An absorption band with a gap: Tauc edge times Lorentz oscillator, without eps_inf.

    eps2 = A E0 C (E - Eg)^2 / (((E^2 - E0^2)^2 + C^2 E^2) E) above the gap, 0 below; eps1 is its
    Kramers-Kronig integral in closed form.

    Parameters
    ----------
    energy_ev : array [eV]
    amplitude_ev : float [eV]
        A.
    centre_ev, broadening_ev, gap_ev : float [eV]
        E0, C < 2 E0, Eg.

    Returns
    -------
    complex array of the shape of ``energy_ev``

    Raises
    ------
    OptistackError
        A negative parameter, or C >= 2 E0 (no resonance).

    Source: G. E. Jellison, F. A. Modine, Appl. Phys. Lett. 69 (1996) 371, erratum 69 (1996) 2137,
    doi 10.1063/1.118064 (closed form from memory; a test compares it with the integral).

    Examples
    --------
    >>> eps = tauc_lorentz_eps([2.0, 4.0], 100.0, 4.0, 2.0, 3.0)
    >>> print(eps.imag.round(3))
    [0.    3.125]
    """
    a, e0, c, eg = amplitude_ev, centre_ev, broadening_ev, gap_ev
    if not (a >= 0 and e0 > 0 and 0 < c < 2 * e0 and eg >= 0):
        raise OptistackError(
            f"Tauc-Lorentz oscillator: A = {a:g} >= 0, E0 = {e0:g} > 0, 0 < C = {c:g} < 2 E0 and "
            f"Eg = {eg:g} >= 0 are needed"
        )
    e = np.atleast_1d(np.asarray(energy_ev, dtype=float))
    above = e > eg
    shifted = np.where(above, e - eg, 0.0)
    eps2 = a * e0 * c * shifted**2 / (((e * e - e0 * e0) ** 2 + (c * e) ** 2) * e)
    # At E = Eg two logarithms cancel each other: step aside by a rounding.
    e = np.where(np.abs(e - eg) < 1e-9 * (1 + eg), e + 1e-8 * (1 + eg), e)
    e2, e02, eg2, c2 = e * e, e0 * e0, eg * eg, c * c
    a_ln = (eg2 - e02) * e2 + eg2 * c2 - e02 * (e02 + 3 * eg2)
    a_tan = (e2 - e02) * (e02 + eg2) + eg2 * c2
    alpha = np.sqrt(4 * e02 - c2)
    gamma2 = e02 - c2 / 2
    scale = a / (np.pi * ((e2 - gamma2) ** 2 + alpha**2 * c2 / 4))
    ratio = np.log((e02 + eg2 + alpha * eg) / (e02 + eg2 - alpha * eg))
    angle = np.pi - np.arctan((2 * eg + alpha) / c) + np.arctan((alpha - 2 * eg) / c)
    inner = np.pi / 2 + np.arctan(2 * (gamma2 - eg2) / (alpha * c))
    near = np.log(np.abs(e - eg) / (e + eg))
    far = np.log(np.abs(e - eg) * (e + eg) / np.sqrt((e02 - eg2) ** 2 + eg2 * c2))
    eps1 = scale * (
        c * a_ln * ratio / (2 * alpha * e0)
        - a_tan * angle / e0
        + 4 * e0 * eg * (e2 - gamma2) * inner / alpha
        - e0 * c * (e2 + eg2) / e * near
        + 2 * e0 * c * eg * far
    )
    return np.asarray((eps1 + 1j * eps2).reshape(np.shape(energy_ev)))


def index_of(eps: NDArray[np.complexfloating]) -> Complex:
    """n + ik with k >= 0 from a dielectric function with eps2 >= 0."""
    root = np.sqrt(eps + 0j)
    # A real, negative eps has its root on the imaginary axis, of either sign by rounding.
    return np.asarray(np.where(root.imag < 0, -root, root))


def _model(
    name: str,
    index: Callable[[Real], Complex],
    range_nm: tuple[float, float],
    source: str,
    *,
    grade: str = "C",
    notes: tuple[str, ...] = (),
    nodes_nm: Real | None = None,
) -> Material:
    return Material(
        name=name,
        n_model=lambda lam: index(lam).real,
        k_model=lambda lam: index(lam).imag,
        n_range_nm=range_nm,
        k_range_nm=range_nm,
        grade=max("C", grade),
        kind="model",
        source=source,
        notes=notes,
        nodes_nm=np.empty(0) if nodes_nm is None else nodes_nm,
    )


def _checked(model: Material, *, probe: Real | None = None) -> Material:
    low, high = model.range_nm
    if not 0 < low < high:
        raise OptistackError(f"{model.name}: range {low:g}-{high:g} nm is not a range")
    sample = np.linspace(low, min(high, 1e5), 400) if probe is None else probe
    with np.errstate(all="ignore"):  # what overflows is refused here
        n, k = model.n_model(sample), np.asarray((model.k_model or np.zeros_like)(sample))
    if not ((n > 0) & (n <= LARGEST_INDEX) & (k >= 0) & (k <= LARGEST_INDEX)).all():
        raise OptistackError(
            f"{model.name}: n or k is negative, not finite or beyond {LARGEST_INDEX:g} somewhere "
            f"in {low:g}-{high:g} nm; narrow the range, or change the parameters"
        )
    return model


def tauc_lorentz(
    range_nm: tuple[float, float],
    terms: Sequence[tuple[float, float, float, float]],
    *,
    eps_inf: float = 1.0,
    drude_terms: Sequence[tuple[float, float]] = (),
    lorentz_terms: Sequence[tuple[float, float, float]] = (),
    name: str = "tauc_lorentz",
    source: str = "Tauc-Lorentz oscillators",
) -> Material:
    """A material of Tauc-Lorentz bands, and Drude and Lorentz terms beside them if wanted.

    Parameters
    ----------
    range_nm : (float, float) [nm]
    terms : sequence of (A, E0, C, Eg) [eV]
        As in `tauc_lorentz_eps`.
    eps_inf : float
    drude_terms : sequence of (plasma energy, damping) [eV]
    lorentz_terms : sequence of (strength, resonance energy, damping) [-, eV, eV]
    name, source : str

    Raises
    ------
    OptistackError
        A negative parameter; n or k that makes no sense in the range.

    Examples
    --------
    >>> film = tauc_lorentz((300.0, 800.0), [(80.0, 4.2, 1.5, 3.0)], eps_inf=1.8)
    >>> print(film.index([350.0, 600.0]).round(3))
    [2.375+0.163j 1.889+0.j   ]
    """
    for label, rows in (("Drude", drude_terms), ("Lorentz", lorentz_terms)):
        if any(not v >= 0 for row in rows for v in row):
            raise OptistackError(f"{name}: parameters of a {label} term must not be negative")

    def index(lam: Real) -> Complex:
        e = EV_NM / lam
        eps = eps_inf + 0j * e
        for term in terms:
            eps = eps + tauc_lorentz_eps(e, *term)
        for plasma, damping in drude_terms:
            eps = eps + drude(e, plasma, damping)
        for strength, centre, damping in lorentz_terms:
            eps = eps + lorentz(e, strength, centre, damping)
        return index_of(eps)

    return _checked(_model(name, index, range_nm, source))


# --- mixtures ---------------------------------------------------------------------------------


def effective_medium(
    host: Material,
    inclusion: Material,
    fraction: float,
    *,
    rule: Rule = "bruggeman",
    name: str | None = None,
) -> Material:
    """A mixture of two materials, much finer than the wavelength.

    Parameters
    ----------
    host, inclusion : Material
    fraction : float
        Volume fraction of the inclusion, 0 to 1.
    rule : "bruggeman" or "maxwell_garnett"
        Bruggeman treats both alike (a blend); Maxwell Garnett takes separate spheres in a host
        and is meant for small fractions.
    name : str, optional

    Returns
    -------
    Material
        Of grade C or worse, in the range that both share.

    Raises
    ------
    OptistackError
        A fraction outside 0-1, an unknown rule, a material whose k is not known.
    RangeError
        The ranges do not overlap.

    Sources: D. A. G. Bruggeman, Ann. Phys. 416 (1935) 636; J. C. Maxwell Garnett, Phil. Trans. R.
    Soc. A 203 (1904) 385 (both from memory).

    Examples
    --------
    Half air in a film lowers its index:

    >>> from optistack.materials import constant
    >>> mix = effective_medium(constant(2.0), constant(1.0), 0.5)
    >>> print(mix.index(500.0).round(4))
    [1.4735+0.j]
    """
    label = name or f"{inclusion.name} in {host.name}"
    if rule not in ("bruggeman", "maxwell_garnett"):
        raise OptistackError(
            f'{label}: rule {rule!r} is neither "bruggeman" nor "maxwell_garnett"'
        )
    if not 0 <= fraction <= 1:
        raise OptistackError(f"{label}: the volume fraction {fraction:g} must lie between 0 and 1")
    for part in (host, inclusion):
        if part.k_model is None:
            raise OptistackError(
                f"{label}: k of {part.name} is not known, and a missing k is not k = 0"
            )
    low = max(host.range_nm[0], inclusion.range_nm[0])
    high = min(host.range_nm[1], inclusion.range_nm[1])
    if not low < high:
        raise RangeError(
            f"{label}: range of {inclusion.name}", host.range_nm, inclusion.range_nm,
            "The two must overlap",
        )

    def index(lam: Real) -> Complex:
        a, b = host.index(lam) ** 2, inclusion.index(lam) ** 2
        if rule == "maxwell_garnett":
            top = b * (1 + 2 * fraction) + 2 * a * (1 - fraction)
            return index_of(a * top / (b * (1 - fraction) + a * (2 + fraction)))
        mean = (2 - 3 * fraction) * a + (3 * fraction - 1) * b
        root = np.sqrt(mean * mean + 8 * a * b)
        plus, minus = (mean + root) / 4, (mean - root) / 4
        # One of the two absorbs, the other would amplify; where neither does, the positive one.
        alike = np.abs(plus.imag - minus.imag) <= 1e-14 * np.abs(root)
        first = np.where(alike, plus.real > minus.real, plus.imag > minus.imag)
        eps = np.where(first, plus, minus)
        return index_of(eps.real + 1j * np.maximum(eps.imag, 0.0))  # a rounding below 0

    words = rule.replace("_", " ").title()
    model = _model(
        label,
        index,
        (low, high),
        f"{words} mixture, {100 * fraction:g} % by volume of {inclusion.name} ({inclusion.source}) "
        f"in {host.name} ({host.source})",
        grade=max(host.grade, inclusion.grade),
        notes=(
            *host.notes,
            *inclusion.notes,
            f"material {label}: {words} mixture of {host.name} with {100 * fraction:g} % by volume "
            f"of {inclusion.name}",
        ),
        nodes_nm=np.unique(np.concatenate([host.nodes_nm, inclusion.nodes_nm])),
    )
    return model if not np.isfinite(high) else _checked(model)


# --- absorbing layers from facts of a data sheet -----------------------------------------------


def edge_from_half_value(
    base: Material,
    half_value_nm: float,
    thickness_nm: float,
    width_nm: float,
    *,
    saturation: float = 0.05,
    range_nm: tuple[float, float] | None = None,
    external: bool = True,
    name: str | None = None,
) -> Material:
    """The n of a material with an exponential (Urbach) edge through a known half-value wavelength.

    k = 1 / (1/u + 1/saturation), u = k_half exp(-(lambda - half) / width), where k_half makes a
    sheet of the thickness given transmit one half at the half-value wavelength.

    Parameters
    ----------
    base : Material
        Its n is used; its k is replaced.
    half_value_nm : float [nm]
        Where a sheet transmits one half.
    thickness_nm : float [nm]
    width_nm : float [nm]
        Over which k falls by e.
    saturation : float
        k far inside the absorption; a guess unless measured. It does not matter for a sheet that
        is opaque there, and decides for films below some micrometres.
    range_nm : (float, float) [nm], optional
        Where the model is taken to hold; that of n when not given.
    external : bool
        The half-value includes the reflection of the two surfaces (in air).
    name : str, optional

    Raises
    ------
    OptistackError
        A length that is not positive, a half-value outside the range, a saturation that a sheet
        of half transmittance already exceeds.

    Source: F. Urbach, Phys. Rev. 92 (1953) 1324, written in wavelength.

    Examples
    --------
    >>> from optistack.materials import constant
    >>> foil = edge_from_half_value(constant(1.5), 380.0, 50e3, 4.0, range_nm=(280.0, 800.0))
    >>> print(f"{foil.index(380.0)[0].imag:.3e}", foil.grade)
    3.701e-04 C
    """
    label = name or f"{base.name}, edge at {half_value_nm:g} nm"
    low, high = range_nm or base.n_range_nm
    if not (thickness_nm > 0 and width_nm > 0 and half_value_nm > 0):
        raise OptistackError(f"{label}: half-value, thickness and width must be positive")
    if not (max(low, base.n_range_nm[0]) <= half_value_nm <= min(high, base.n_range_nm[1])):
        raise OptistackError(
            f"{label}: the half-value wavelength must lie in the range of the model and of n, "
            f"{max(low, base.n_range_nm[0]):g}-{min(high, base.n_range_nm[1]):g} nm"
        )
    tau = 0.5
    if external:
        n = float(np.asarray(base.n_model(np.array([half_value_nm]))).ravel()[0])
        tau = float(slab_internal(0.5, ((n - 1) / (n + 1)) ** 2))
    k_half = -np.log(tau) * half_value_nm / (4 * np.pi * thickness_nm)
    if not k_half < saturation:
        raise OptistackError(
            f"{label}: k = {k_half:.2g} at the half-value wavelength is not below the saturation "
            f"{saturation:g}; state a larger one"
        )
    u_half = 1 / (1 / k_half - 1 / saturation)

    def index(lam: Real) -> Complex:
        falling = np.exp(np.minimum((lam - half_value_nm) / width_nm, 700.0))
        k = 1.0 / (falling / u_half + 1.0 / saturation)
        return np.asarray(base.n_model(lam) + 1j * k)

    steps = half_value_nm + width_nm * np.arange(-40.0, 41.0) / 2
    return _checked(
        _model(
            label,
            index,
            (max(low, base.n_range_nm[0]), min(high, base.n_range_nm[1])),
            f"n: {base.source}; k: exponential edge, half-value {half_value_nm:g} nm at "
            f"{thickness_nm / 1000:g} um, width {width_nm:g} nm",
            grade=base.grade,
            notes=(
                *base.notes,
                f"material {label}: k is a model, an exponential edge through the half-value "
                f"wavelength that levels off at {saturation:g}",
            ),
            nodes_nm=np.unique(np.concatenate([base.nodes_nm, steps[steps > 0]])),
        )
    )


def beer_lambert(
    base: Material,
    absorbers: Sequence[tuple[Callable[[Real], Real], float]],
    *,
    nodes_nm: ArrayLike = (),
    range_nm: tuple[float, float] | None = None,
    name: str | None = None,
) -> Material:
    """A material with dissolved absorbers: k = k of the base + ln(10) sum(eps c) lambda / (4 pi).

    Parameters
    ----------
    base : Material
        With its own k; state an assumption with `optistack.materials.with_assumed_k`.
    absorbers : sequence of (molar absorptivity, concentration)
        A function of wavelength [nm] giving the decadic molar absorptivity [L/(mol cm)], and
        mol/L. `optistack.filters.absorption_bands` and `concentration` help.
    nodes_nm : (wavelength,) array [nm], optional
        Where the absorptivities bend.
    range_nm : (float, float) [nm], optional
        Where the absorptivities are known; they are not asked outside.
    name : str, optional

    Raises
    ------
    OptistackError
        A base without k, a negative concentration or absorptivity.

    Source: Beer-Lambert law.

    Examples
    --------
    1 mol/L of 1000 L/(mol cm), at 340 nm:

    >>> import numpy as np
    >>> from optistack.materials import constant
    >>> dyed = beer_lambert(constant(1.5), [(lambda lam: 1000.0 + 0 * lam, 1.0)],
    ...                     range_nm=(300.0, 400.0))
    >>> print(f"{dyed.index(340.0)[0].imag:.4e}")
    6.2300e-03
    """
    label = name or f"{base.name} with absorber"
    if base.k_model is None:
        raise OptistackError(
            f"{label}: k of {base.name} is not known; state it as an assumption (with_assumed_k)"
        )
    if not absorbers or any(not (np.isfinite(c) and c >= 0) for _, c in absorbers):
        raise OptistackError(f"{label}: needs absorbers with concentrations that are not negative")
    low, high = base.range_nm
    if range_nm is not None:
        low, high = max(low, range_nm[0]), min(high, range_nm[1])
    per_cm = 1e-7 * np.log(10.0) / (4 * np.pi)

    def index(lam: Real) -> Complex:
        k = np.zeros(lam.shape)
        for curve, concentration_mol_l in absorbers:
            k = k + per_cm * lam * concentration_mol_l * np.asarray(curve(lam), dtype=float)
        return np.asarray(base.index(lam) + 1j * k)

    model = _model(
        label,
        index,
        (low, high),
        f"{base.source}; absorbers after Beer-Lambert",
        grade=base.grade,
        notes=(*base.notes, f"material {label}: k of the absorbers after Beer-Lambert, a model"),
        nodes_nm=np.unique(np.concatenate([base.nodes_nm, np.asarray(nodes_nm, dtype=float)])),
    )
    low_probe = max(low, 1.0)
    return _checked(model, probe=np.linspace(low_probe, min(high, 1e5), 400))


# --- the Kramers-Kronig integral ----------------------------------------------------------------


def kramers_kronig(energy_ev: ArrayLike, nodes_ev: ArrayLike) -> Real:
    """eps1 - 1 of an eps2 that is linear between nodes and zero outside, as a matrix.

    eps1(E) - 1 = (2/pi) P integral x eps2(x) / (x^2 - E^2) dx, done in closed form.

    Parameters
    ----------
    energy_ev : (energy,) array [eV]
    nodes_ev : (node,) array [eV]
        Increasing and positive. eps2 at the first and at the last node should be 0.

    Returns
    -------
    (energy, node) array
        ``matrix @ eps2`` is eps1 - 1.

    Source: the Kramers-Kronig relation, for example M. Fox, Optical Properties of Solids, ch. 2.

    Examples
    --------
    >>> import numpy as np
    >>> e = np.linspace(0.05, 40.0, 4000)
    >>> eps = lorentz(e, 1.5, 4.0, 0.5)
    >>> print(np.abs(kramers_kronig([1.0, 3.0], e) @ eps.imag - lorentz([1, 3], 1.5, 4.0, 0.5).real
    ...       ).max() < 1e-3)
    True
    """
    e = np.asarray(energy_ev, dtype=float)[:, None]
    nodes = np.asarray(nodes_ev, dtype=float)
    left, width = nodes[:-1], np.diff(nodes)
    # The logarithm at a node that meets E exactly drops out between its two neighbours.
    minus = np.diff(np.log(np.maximum(np.abs(nodes - e), 1e-12)), axis=1)
    plus = np.diff(np.log(nodes + e), axis=1)
    of_x = (minus + plus) / 2  # integral of x / (x^2 - E^2) between two nodes
    of_x2 = width + e * (minus - plus) / 2  # integral of x^2 / (x^2 - E^2)
    out = np.zeros((e.size, nodes.size))
    out[:, :-1] += (nodes[1:] * of_x - of_x2) / width
    out[:, 1:] += (of_x2 - left * of_x) / width
    return np.asarray(out * (2 / np.pi))


@dataclass(frozen=True, eq=False)
class CausalBasis:
    """A free-form eps2 >= 0 and the eps1 that causality gives with it: both linear in parameters.

    eps2 is a sum of cubic B-splines. What absorbs beyond its reach is not seen but felt in eps1:
    two poles above, and free carriers below. Non-negative parameters mean eps2 >= 0.

    Attributes
    ----------
    eps1, eps2 : (energy, parameter) array
        eps = 1 + eps1 @ p + i eps2 @ p.
    roughness : (row, parameter) array
        The sum of squares of ``roughness @ p`` is the integral of (d2 eps2 / dE2)^2 [1/eV3].
    splines : int
        The first parameters are splines, then the two poles, then the free carriers.
    """

    eps1: Real
    eps2: Real
    roughness: Real
    splines: int

    @classmethod
    def over(cls, energy_ev: ArrayLike, step_ev: float, reach_ev: float = 2.5) -> CausalBasis:
        """A basis for the energies of a measurement.

        Parameters
        ----------
        energy_ev : (energy,) array [eV]
            Any order.
        step_ev : float [eV]
            Distance of the knots among the energies; it grows outside them.
        reach_ev : float [eV]
            How far above the largest energy splines go; poles follow.
        """
        from scipy.interpolate import BSpline

        e = np.asarray(energy_ev, dtype=float)
        low, high = float(e.min()), float(e.max())
        growing = step_ev * np.cumsum(1.25 ** np.arange(60))
        above = high + step_ev + growing[growing < reach_ev]
        below = low - growing
        below = below[below > max(0.3 * low, low - 0.6)][::-1]
        knots = np.concatenate([below, np.arange(low, high + step_ev, step_ev), above])
        padded = np.concatenate([[knots[0]] * 3, knots, [knots[-1]] * 3])
        eighths = knots[:-1, None] + np.diff(knots)[:, None] * np.linspace(0.0, 1.0, 9)
        fine = np.unique(eighths)
        # The outermost spline on each side is left out: eps2 ends at zero.
        shape = BSpline.design_matrix(fine, padded, 3).toarray()[:, 1:-1]
        splines = shape.shape[1]
        centres = np.array([padded[i + 1 : i + 4].mean() for i in range(1, splines + 1)])
        poles = [high + 1.2 * reach_ev, high + 3 * reach_ev]
        beyond = np.array([p * p / (p * p - e * e) for p in poles]).T
        carriers = -1.0 / (e * e)[:, None]
        eps1 = np.hstack([kramers_kronig(e, fine) @ shape, beyond, carriers])
        eps2 = np.hstack(
            [np.array([np.interp(e, fine, column) for column in shape.T]).T,
             np.zeros((e.size, 3))]
        )
        roughness = np.zeros((splines - 2, splines + 3))
        for row in range(splines - 2):
            first, second = np.diff(centres[row : row + 3])
            both = first + second
            roughness[row, row : row + 3] = np.sqrt(both / 2) * np.array(
                [2 / (first * both), -2 / (first * second), 2 / (second * both)]
            )
        return cls(eps1, eps2, roughness, splines)
