"""Stacks: layers of materials between two half-spaces, and filters mounted on them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optistack.errors import StackError
from optistack.filters import DEFAULT_INDEX, NOMINAL_THICKNESS_NM, Filter
from optistack.materials import Material, constant, material

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Mount = Literal["laminated", "detached_gap", "detached_far", "in_substrate"]

MOUNTS: tuple[Mount, ...] = ("laminated", "detached_gap", "detached_far", "in_substrate")
COHERENT_UP_TO_NM = 3000.0
# Where the photons go, besides the layers (`ExposureResult.budget`).
RESERVED_NAMES = ("reflected", "transmitted", "filter at the lamp")
_GAP_NM = 1e6
_SAMPLES_PER_FRINGE = 40


@dataclass(frozen=True, eq=False)
class Layer:
    """One layer.

    Parameters
    ----------
    name : str
    material : Material, or what `optistack.materials` takes
    thickness_nm : float [nm]
    coherent : bool, optional
        None: coherent up to 3000 nm, incoherent above.
    absorbers : tuple of Filter
        Filters inside the layer: their internal transmittance multiplies the layer's own, and
        oblique light takes its longer path through both.

    Raises
    ------
    StackError
        A negative or infinite thickness; an absorber in a layer without thickness.
    """

    name: str
    material: Material
    thickness_nm: float
    coherent: bool | None = None
    absorbers: tuple[Filter, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "material", material(self.material))
        if not (np.isfinite(self.thickness_nm) and self.thickness_nm >= 0):
            raise StackError(
                f"layer {self.name}: thickness {self.thickness_nm:g} nm must be finite and not "
                "negative"
            )
        if self.absorbers and not self.thickness_nm > 0:
            raise StackError(f"layer {self.name}: a filter inside it needs a thickness above 0")

    @property
    def is_coherent(self) -> bool:
        """The explicit flag, or the rule by thickness."""
        if self.coherent is not None:
            return self.coherent
        return self.thickness_nm <= COHERENT_UP_TO_NM

    def index(self, wavelength_nm: Real) -> Complex:
        """Refractive index with the absorbers in it; errors as in `Material.index`."""
        n = self.material.index(wavelength_nm)
        if self.absorbers:
            n = n + 1j * (self.absorber_k_nm(wavelength_nm) / self.thickness_nm)
        return n

    def absorber_k_nm(self, wavelength_nm: Real) -> Real:
        """What the absorbers add to k, times the thickness [nm]: the same for any thickness."""
        out: Real = np.zeros(wavelength_nm.shape)
        for absorber in self.absorbers:
            out = out - np.log(absorber.internal(wavelength_nm)) * wavelength_nm / (4 * np.pi)
        return out


@dataclass(frozen=True, eq=False)
class FilterStack:
    """A filter known by its layers in light order, for example an interference filter."""

    name: str
    layers: tuple[Layer, ...]
    grade: str = "C"


@dataclass(frozen=True, eq=False)
class Stack:
    """Layers between two half-spaces, the side of the ambient first.

    Parameters
    ----------
    ambient : Material, or what `optistack.materials` takes
    layers : sequence of Layer
    substrate : Material, or what `optistack.materials` takes
    name : str

    Raises
    ------
    StackError
        Two layers of the same name, or a name that results use for something else.

    Examples
    --------
    >>> coupon = Stack("air", [Layer("film", 1.6 + 0.05j, 100), Layer("glass", 1.52, 1.1e6)], "air")
    >>> n, d, coherent = coupon.lower([340.0])
    >>> print(n.shape, d, coherent)
    (4, 1) [1.0e+02 1.1e+06] [ True False]
    """

    ambient: Material
    layers: tuple[Layer, ...]
    substrate: Material
    name: str = "stack"

    def __post_init__(self) -> None:
        object.__setattr__(self, "ambient", material(self.ambient))
        object.__setattr__(self, "substrate", material(self.substrate))
        object.__setattr__(self, "layers", tuple(self.layers))
        names = [layer.name for layer in self.layers]
        for name in names:
            if name in RESERVED_NAMES:
                raise StackError(
                    f"stack {self.name}: a layer cannot be called {name!r}, which names a share of "
                    "the light in results"
                )
            if names.count(name) > 1:
                raise StackError(
                    f"stack {self.name}: two layers are called {name!r}; give each its own name"
                )

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the layers."""
        return tuple(layer.name for layer in self.layers)

    def position(self, layer: str) -> int:
        """Index of a layer from 0.

        Raises
        ------
        StackError
            No such layer; the message lists the names.
        """
        if layer not in self.names:
            raise StackError(
                f"stack {self.name} has no layer {layer!r}; its layers are "
                f"{', '.join(self.names) or '(none)'}"
            )
        return self.names.index(layer)

    def lower(self, wavelength_nm: ArrayLike) -> tuple[Complex, Real, NDArray[np.bool_]]:
        """The arrays that `optistack.transfer_matrix.solve` takes.

        Returns
        -------
        n : (layer, wavelength) complex
        thickness_nm : (layer - 2,) [nm]
        coherent : (layer - 2,) bool

        Raises
        ------
        RangeError
            A table that does not cover the wavelengths.
        """
        lam = np.atleast_1d(np.asarray(wavelength_nm, dtype=float))
        rows = [self.ambient.index(lam)]
        rows += [layer.index(lam) for layer in self.layers]
        rows.append(self.substrate.index(lam))
        return (
            np.array(rows),
            np.array([layer.thickness_nm for layer in self.layers], dtype=float),
            np.array([layer.is_coherent for layer in self.layers], dtype=bool),
        )

    def flipped(self) -> Stack:
        """The same stack seen from behind."""
        return replace(
            self, ambient=self.substrate, layers=self.layers[::-1], substrate=self.ambient
        )

    def with_layer(self, name: str, /, **changes: Any) -> Stack:
        """With attributes of one layer changed, for example ``thickness_nm=80``."""
        i = self.position(name)
        layers = list(self.layers)
        layers[i] = replace(layers[i], **changes)
        return replace(self, layers=tuple(layers))

    def with_material(self, old: Material, new: Material) -> Stack:
        """With every use of one material, this very object, replaced by another."""

        def swap(used: Material) -> Material:
            return new if used is old else used

        return replace(
            self,
            ambient=swap(self.ambient),
            substrate=swap(self.substrate),
            layers=tuple(replace(x, material=swap(x.material)) for x in self.layers),
        )

    @property
    def materials(self) -> tuple[Material, ...]:
        """Every material once, in light order."""
        out: list[Material] = []
        for m in (self.ambient, *(layer.material for layer in self.layers), self.substrate):
            if all(m is not other for other in out):
                out.append(m)
        return tuple(out)

    def fringe_step_nm(self, shortest_nm: float) -> float:
        """Wavelength step [nm] that follows the fringes of the coherent layers; at most 1 nm.

        Raises
        ------
        StackError
            Coherent layers so thick that no grid of 0.01 nm or more follows their fringes.
        """
        step, run = 1.0, 0.0
        lam = np.array([shortest_nm])
        for layer in (*self.layers, None):
            if layer is not None and layer.is_coherent:
                low, high = layer.material.n_range_nm
                n = float(np.asarray(layer.material.n_model(np.clip(lam, low, high))).ravel()[0])
                run += max(n, 1.0) * layer.thickness_nm
                continue
            if run > 0:
                fringe = shortest_nm**2 / (2 * run)
                step = min(step, fringe / _SAMPLES_PER_FRINGE)
            run = 0.0
        for finer in (1.0, 0.5, 0.25, 0.2, 0.1, 0.05, 0.02, 0.01):
            if finer <= step * (1 + 1e-9):
                return finer
        raise StackError(
            f"stack {self.name}: its coherent layers are so thick that fringes lie "
            f"{step * _SAMPLES_PER_FRINGE:.2g} nm apart at {shortest_nm:g} nm, finer than any "
            "light here resolves; make the thick ones incoherent (coherent = false)"
        )

    def mounted(self, item: Filter | FilterStack, mount: Mount, layer: str | None = None) -> Stack:
        """With a filter on the side of the ambient.

        Parameters
        ----------
        item : Filter or FilterStack
        mount : str
            "laminated": one more incoherent layer, joined without air. "detached_gap": the filter
            as a slab and an air gap before the stack, with all reflections between them.
            "in_substrate": inside the layer named, no new surface. "detached_far" is a factor on
            the light, not a part of the stack, and is refused here.
        layer : str, optional
            For "in_substrate"; the first incoherent layer when not given.

        Raises
        ------
        StackError
            A mount that does not fit the filter or the stack.
        """
        if mount == "detached_far" or mount not in MOUNTS:
            raise StackError(f"mount {mount!r} cannot be built into a stack")
        if isinstance(item, Filter) and item.coated:
            raise StackError(
                f"filter {item.name} is coated and known only by its transmittance: it cannot "
                f"be mounted {mount}. Mount it detached_far, or give its layers"
            )
        if mount == "in_substrate":
            return self._with_absorber(item, layer)
        if isinstance(item, FilterStack):
            new = list(item.layers)
        else:
            thickness = item.thickness_nm or NOMINAL_THICKNESS_NM
            body = item.index or constant(DEFAULT_INDEX, "filter body")
            new = [
                Layer(
                    self._free_name(f"filter {item.name}"),
                    body.transparent(),
                    thickness,
                    coherent=False,
                    absorbers=(item,),
                )
            ]
        if mount == "detached_gap":
            gap = self._free_name(f"air gap behind {item.name}")
            new.append(Layer(gap, self.ambient, _GAP_NM, coherent=False))
        return replace(self, layers=(*new, *self.layers))

    def _free_name(self, name: str) -> str:
        """The name, numbered where a layer has it already: a filter may be mounted twice."""
        count, free = 1, name
        while free in self.names:
            count += 1
            free = f"{name} ({count})"
        return free

    def _with_absorber(self, item: Filter | FilterStack, layer: str | None) -> Stack:
        if isinstance(item, FilterStack):
            raise StackError(f"filter {item.name} has layers of its own: laminate it instead")
        if layer is None:
            thick = [x.name for x in self.layers if not x.is_coherent]
            if not thick:
                raise StackError(
                    f"stack {self.name} has no thick layer to hold filter {item.name}; name the "
                    "layer, or choose another mount"
                )
            layer = thick[0]
        old = self.layers[self.position(layer)]
        if old.is_coherent:
            raise StackError(
                f"layer {layer} is coherent: a filter inside it is only defined for a thick layer"
            )
        return self.with_layer(layer, absorbers=(*old.absorbers, item))
