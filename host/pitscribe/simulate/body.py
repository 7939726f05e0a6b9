"""Conduction in a body cut into cells, explicit in time: the body is a list of columns, each cut through its thickness.

A cell exchanges heat with the cell above and below in its column and with its neighbours in the next columns. Whether
that is a brisket (columns of different thickness), a slab or a cylinder is only a matter of volumes, face areas and
distances, so the same ``warm`` that cooks the meat is checked against the textbook's slab, cylinder and sphere.

Source: finite volumes, any text on heat transfer. Check values: Cengel, Heat Transfer, table 4-2, and the worked
tables of SOURCES.md section 5.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Body:
    """Geometry. ``nx`` columns of ``nz`` cells; row 0 is the bottom (or the axis), row nz - 1 the top.

    volume (nx, nz) m3; rise (nx, nz - 1) m: face area over distance between a cell and the one above;
    reach (nx - 1, nz) m: the same between a cell and the one in the next column;
    skin (2, nx) m2: area of the bottom and the top surface; depth (nx,) m: from a surface to the nearest cell centre.
    """

    volume: Array
    rise: Array
    reach: Array
    skin: Array
    depth: Array

    @property
    def shape(self) -> tuple[int, int]:
        """Columns and cells a column."""
        return self.volume.shape[0], self.volume.shape[1]


def plank(thickness: Array, length: float, width: float, layers: int) -> Body:
    """Return a slab whose columns have the given thicknesses (nx,), m: a brisket seen from the side.

    Its two long sides and its two ends are taken as insulated; they are thin where the heat could matter. Layers of
    neighbouring columns are joined at equal shares of the depth.
    """
    thick = np.asarray(thickness, dtype=np.float64)
    step = length / thick.size
    cell = thick / layers
    volume = np.repeat((cell * step * width)[:, None], layers, axis=1)
    rise = np.repeat((step * width / cell)[:, None], layers - 1, axis=1)
    beside = 0.5 * (cell[1:] + cell[:-1]) * width / step
    reach = np.repeat(beside[:, None], layers, axis=1)
    return Body(volume, rise, reach, np.full((2, thick.size), step * width), cell / 2)


def round_body(radius: float, layers: int, power: int) -> Body:
    """Return one column along the radius of a cylinder (``power`` 1, a metre long) or a sphere (``power`` 2)."""
    edge = np.linspace(0.0, radius, layers + 1)
    full = {1: 2 * np.pi, 2: 4 * np.pi}[power]
    volume = full * (edge[1:] ** (power + 1) - edge[:-1] ** (power + 1)) / (power + 1)
    area = full * edge**power
    cell = radius / layers
    skin = np.array([[0.0], [area[-1]]])
    return Body(volume[None, :], (area[1:-1] / cell)[None, :], np.zeros((0, layers)), skin, np.array([cell / 2]))


@dataclass(frozen=True)
class Stuff:
    """What the body is of: k in W/(m K) and volumetric heat capacity in J/(m3 K), both constant.

    The default has alpha 1.3e-7 m2/s with k 0.48: measured beef at 40-65 degC is 1.23e-7 to 1.33e-7 (chuck, round;
    SOURCES.md section 6), and Choi and Okos' mixture rule, 1.31e-7 raw at 5 degC, runs 10-15 % above the measured
    at 60 degC. A constant keeps the balance exact while water leaves.
    """

    conductivity: float = 0.48
    capacity: float = 0.48 / 1.3e-7


def warm(body: Body, stuff: Stuff, celsius: Array, inflow: Array, seconds: float) -> None:
    """Move the cells' temperatures (nx, nz) on by ``seconds``, in place.

    ``inflow`` (2, nx) is the heat through the bottom and the top surface into the body, W. Heat is only moved
    between cells, so what comes in is what is stored. Stable below ``longest_step``.
    """
    net = np.zeros_like(celsius)
    up = body.rise * (celsius[:, :-1] - celsius[:, 1:])
    net[:, :-1] -= up
    net[:, 1:] += up
    if body.reach.size:
        along = body.reach * (celsius[:-1] - celsius[1:])
        net[:-1] -= along
        net[1:] += along
    net *= stuff.conductivity
    net[:, 0] += inflow[0]
    net[:, -1] += inflow[1]
    celsius += net * (seconds / stuff.capacity) / body.volume


def longest_step(body: Body, stuff: Stuff) -> float:
    """Return the longest stable time step of ``warm`` in seconds, surfaces held at a temperature."""
    out = np.zeros(body.shape)
    out[:, :-1] += body.rise
    out[:, 1:] += body.rise
    out[:-1] += body.reach
    out[1:] += body.reach
    out[:, 0] += body.skin[0] / body.depth
    out[:, -1] += body.skin[1] / body.depth
    return float(np.min(body.volume * stuff.capacity / (stuff.conductivity * out)))
