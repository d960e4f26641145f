"""Materials made of materials: mixtures, and absorbing layers from facts of a data sheet.

Each is a model: grade C at best, and a note says so in every result that uses it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.dispersion import index_of
from optistack.errors import OptistackError, RangeError
from optistack.filters import slab_internal
from optistack.materials import Material, checked_model, model_material

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Rule = Literal["bruggeman", "maxwell_garnett"]

RULES = {
    "bruggeman": "holds for parts finer than about a tenth of the wavelength that keep their own n "
    "and k, on an equal footing",
    "maxwell_garnett": "holds for separate spheres finer than about a tenth of the wavelength, up "
    "to about 30 % by volume",
}
MOST_SPHERES = 0.3
# k far inside an absorption edge, where nothing is known.
SATURATION = 0.05

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
        and holds up to about 0.3; beyond, the grade is D. Both need parts finer than about a tenth
        of the wavelength (no scattering) that keep the n and k they have alone: a blend that forms
        new states absorbs otherwise.
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
    Soc. A 203 (1904) 385. Limits: D. E. Aspnes, Am. J. Phys. 50 (1982) 704 (all from memory).

    Examples
    --------
    Half air in a film lowers its index:

    >>> from optistack.materials import constant
    >>> mix = effective_medium(constant(2.0), constant(1.0), 0.5)
    >>> print(mix.index(500.0).round(4))
    [1.4735+0.j]
    """
    label = name or f"{inclusion.name} in {host.name}"
    if rule not in RULES:
        raise OptistackError(f'{label}: rule {rule!r} is neither "bruggeman" nor "maxwell_garnett"')
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
            f"{label}: range of {inclusion.name}",
            host.range_nm,
            inclusion.range_nm,
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
    beyond = rule == "maxwell_garnett" and fraction > MOST_SPHERES
    model = model_material(
        label,
        index,
        (low, high),
        max("D" if beyond else "C", host.grade, inclusion.grade),
        f"{words} mixture, {100 * fraction:g} % by volume of {inclusion.name} ({inclusion.source}) "
        f"in {host.name} ({host.source})",
        notes=(
            *host.notes,
            *inclusion.notes,
            f"material {label}: {words} mixture of {host.name} with {100 * fraction:g} % by volume "
            f"of {inclusion.name}, a model; it {RULES[rule]}{': not here' if beyond else ''}",
        ),
        nodes_nm=np.unique(np.concatenate([host.nodes_nm, inclusion.nodes_nm])),
    )
    return model if not np.isfinite(high) else checked_model(model)


# --- absorbing layers from facts of a data sheet -----------------------------------------------


def urbach_edge(
    base: Material,
    half_value_nm: float,
    thickness_nm: float,
    width_nm: float,
    *,
    saturation: float = SATURATION,
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
    >>> foil = urbach_edge(constant(1.5), 380.0, 50e3, 4.0, range_nm=(280.0, 800.0))
    >>> print(f"{foil.index(380.0)[0].imag:.3e}", foil.grade)
    3.701e-04 C
    """
    label = name or f"{base.name}, edge at {half_value_nm:g} nm"
    low, high = range_nm or base.n_range_nm
    if not (thickness_nm > 0 and width_nm > 0 and half_value_nm > 0):
        raise OptistackError(f"{label}: half-value, thickness and width must be positive")
    if not (low > 0 and np.isfinite(high)):
        raise OptistackError(f"{label}: state range_nm, where the edge is taken to hold")
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
    return checked_model(
        model_material(
            label,
            index,
            (max(low, base.n_range_nm[0]), min(high, base.n_range_nm[1])),
            max("C", base.grade),
            f"n: {base.source}; k: exponential edge, half-value {half_value_nm:g} nm at "
            f"{thickness_nm / 1000:g} um, width {width_nm:g} nm",
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
        A base without k, a negative concentration or absorptivity, a range that is not known.

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
    if not (low > 0 and np.isfinite(high)):
        raise OptistackError(f"{label}: state range_nm, where the absorptivities are known")
    per_cm = 1e-7 * np.log(10.0) / (4 * np.pi)

    def index(lam: Real) -> Complex:
        k = np.zeros(lam.shape)
        for curve, concentration_mol_l in absorbers:
            k = k + per_cm * lam * concentration_mol_l * np.asarray(curve(lam), dtype=float)
        return np.asarray(base.index(lam) + 1j * k)

    model = model_material(
        label,
        index,
        (low, high),
        max("C", base.grade),
        f"{base.source}; absorbers after Beer-Lambert",
        notes=(*base.notes, f"material {label}: k of the absorbers after Beer-Lambert, a model"),
        nodes_nm=np.unique(np.concatenate([base.nodes_nm, np.asarray(nodes_nm, dtype=float)])),
    )
    return checked_model(model)
