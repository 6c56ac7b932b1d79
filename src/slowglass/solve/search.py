"""Hypotheses: poses under which a few image stars fall on a few catalogue stars.

Two searches, both ending in the same quick count of further coincidences: triangles of any
scale looked up by shape (whole sky), and pairs of known length in a cone (few stars).
A pose is a tangent point, a complex factor and an image point: with ``p`` the offset of an image
star from the image point (conjugated when the parity is −1), ``factor · p`` is its standard
coordinate ξ + iη about the tangent point. What is kept of a promising pose is which image stars
lie on which catalogue stars; the fit proper starts from those.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from slowglass.solve.grid import stars_within
from slowglass.solve.index import (
    CODE_CELLS,
    NAME_BITS,
    ORDER_SHIFT,
    SIZE_SHIFT,
    THINNEST,
    size_code,
    sort_corners,
)

ORDER_SURE_MAG = 0.9
"""Image stars that differ by more than this must differ the same way in the catalogue."""
LOOSEST_SHAPE = 0.008
"""Triangles whose side ratios are less sure than this match too much of the sky to be of use."""
POSE_COLUMNS = 8
"""Tangent point (x, y, z), factor (re, im), image point (x, y), parity."""
FOUND_COLUMNS = 8
"""Hits, parity, three image stars, three catalogue rows (−1 where there is no third)."""


@njit(cache=True, inline="always")
def _basis(x, y, z):
    """East and north unit vectors at a direction."""
    h = np.sqrt(x * x + y * y)
    if h < 1e-12:
        return 0.0, 1.0, 0.0, -1.0 if z > 0 else 1.0, 0.0, 0.0
    ex, ey = -y / h, x / h
    return ex, ey, 0.0, -z * x / h, -z * y / h, h


@njit(cache=True, inline="always")
def _standard(vx, vy, vz, tx, ty, tz):
    """Standard coordinates of a direction about a tangent point (radians as tangents)."""
    ex, ey, ez, nx, ny, nz = _basis(tx, ty, tz)
    d = vx * tx + vy * ty + vz * tz
    return (
        (vx * ex + vy * ey + vz * ez) / d,
        (vx * nx + vy * ny + vz * nz) / d,
    )


@njit(cache=True)
def count_hits(
    pose,
    x_px,
    y_px,
    inst_mag,
    skip,
    order,
    zero_point,
    tolerance_rad,
    growth,
    mag_window,
    vectors,
    mags,
    cell_first,
    most,
    patience,
    enough,
    nothing,
):
    """Number of further image stars that fall on a catalogue star of fitting brightness.

    ``skip`` holds the image stars that made the pose. The tolerance grows with distance from the
    image point. At most ``most`` image stars are tried, in ``order``. The count is given up, and
    0 returned, when the first ``patience`` of them all miss or ``enough`` is out of reach.
    ``nothing`` is an empty array of indices.
    """
    tx, ty, tz = pose[0], pose[1], pose[2]
    ex, ey, ez, nx, ny, nz = _basis(tx, ty, tz)
    hits = 0
    tries = min(most, len(order))
    for k in range(tries):
        if hits + tries - k < enough or (hits == 0 and k >= patience):
            return 0
        c = order[k]
        if c == skip[0] or c == skip[1] or c == skip[2]:
            continue
        dx = x_px[c] - pose[5]
        dy = (y_px[c] - pose[6]) * pose[7]
        xi = pose[3] * dx - pose[4] * dy
        eta = pose[4] * dx + pose[3] * dy
        vx = tx + xi * ex + eta * nx
        vy = ty + xi * ey + eta * ny
        vz = tz + xi * ez + eta * nz
        r = np.sqrt(vx * vx + vy * vy + vz * vz)
        tolerance = tolerance_rad + growth * np.sqrt(xi * xi + eta * eta)
        expected_mag = inst_mag[c] + zero_point
        _, s = stars_within(
            vx / r, vy / r, vz / r, tolerance, expected_mag + mag_window,
            vectors, mags, cell_first, nothing,
        )  # fmt: skip
        if s >= 0 and mags[s] > expected_mag - mag_window:
            hits += 1
    return hits


@njit(cache=True, inline="always")
def _enough(found, n_found, least_hits):
    """Hits from which a pose would be kept."""
    return least_hits if n_found < len(found) else max(least_hits, found[len(found) - 1, 0] + 1)


@njit(cache=True, inline="always")
def _keep(found, n_found, hits, parity, img, cat):
    """Insert a pose among the best so far, ordered by falling hits; return the new count."""
    size = len(found)
    if n_found == size:
        if hits <= found[size - 1, 0]:
            return n_found
        n_found -= 1
    at = n_found
    while at > 0 and found[at - 1, 0] < hits:
        found[at] = found[at - 1]
        at -= 1
    found[at, 0] = hits
    found[at, 1] = parity
    for k in range(3):
        found[at, 2 + k] = img[k]
        found[at, 5 + k] = cat[k]
    return n_found + 1


@njit(cache=True, nogil=True)
def search_triangles(
    x_px, y_px, inst_mag, order, triples, position_error_px,
    star, neighbours, packed, code_first, pair_first, pair_second,
    vectors, mags, cell_first,
    scale_low, scale_high, parity_wanted, rotation_rad, rotation_tolerance_rad,
    cone, cone_cos, mag_window, growth, patience, least_hits, budget, found, n_found,
):  # fmt: skip
    """Look up image triangles by shape; keep the poses with the most further hits.

    Scales are radians per pixel. ``cone`` is a unit vector; corners outside ``cone_cos`` are
    passed over. Stops after ``budget`` candidates. Returns (poses kept, candidates examined).
    """
    n_pairs = len(pair_first)
    pose = np.empty(POSE_COLUMNS)
    nothing = np.empty(0, np.int64)
    examined = 0
    cone_everywhere = cone_cos < -1.0
    corner_img = np.empty(3, np.int64)
    corner_cat = np.empty(3, np.int64)
    for t in range(len(triples)):
        if examined > budget:
            break
        i0, i1, i2 = triples[t, 0], triples[t, 1], triples[t, 2]
        # Corner k lies opposite side k; corners sorted so that side 0 is the longest.
        s0 = np.hypot(x_px[i1] - x_px[i2], y_px[i1] - y_px[i2])
        s1 = np.hypot(x_px[i0] - x_px[i2], y_px[i0] - y_px[i2])
        s2 = np.hypot(x_px[i0] - x_px[i1], y_px[i0] - y_px[i1])
        corner_img[0], corner_img[1], corner_img[2] = i0, i1, i2
        a, b, c = sort_corners(s0, s1, s2, corner_img)
        if c < 8.0 * position_error_px or c < THINNEST * a:
            continue
        u, v = b / a, c / a
        tolerance = 1.8 * position_error_px / a + growth
        if tolerance > LOOSEST_SHAPE:
            continue
        u_low = max(0, int((u - tolerance) * CODE_CELLS))
        u_high = min(CODE_CELLS - 1, int((u + tolerance) * CODE_CELLS))
        v_low = max(0, int((v - tolerance) * CODE_CELLS))
        v_high = min(CODE_CELLS - 1, int((v + tolerance) * CODE_CELLS))
        turn_img = _turn(x_px, y_px, corner_img)
        size_low, size_high = size_code(scale_low * a * 0.99), size_code(scale_high * a * 1.01)
        e01 = inst_mag[corner_img[0]] - inst_mag[corner_img[1]]
        e12 = inst_mag[corner_img[1]] - inst_mag[corner_img[2]]
        e02 = inst_mag[corner_img[0]] - inst_mag[corner_img[2]]
        order_mask = (
            (abs(e01) > ORDER_SURE_MAG)
            + 2 * (abs(e12) > ORDER_SURE_MAG)
            + 4 * (abs(e02) > ORDER_SURE_MAG)
        )
        order_wanted = ((e01 < 0) + 2 * (e12 < 0) + 4 * (e02 < 0)) & order_mask
        for cu in range(u_low, u_high + 1):
            first = code_first[cu * CODE_CELLS + v_low]
            last = code_first[cu * CODE_CELLS + v_high + 1]
            for q in range(first, last):
                word = np.int64(packed[q])
                if ((word >> ORDER_SHIFT) & 7) & order_mask != order_wanted:
                    continue
                size = word >> SIZE_SHIFT
                if size < size_low or size > size_high:
                    continue
                name = word & ((1 << NAME_BITS) - 1)
                row = name // n_pairs
                pair = name % n_pairs
                c0 = star[row]
                if not cone_everywhere and (
                    vectors[c0, 0] * cone[0] + vectors[c0, 1] * cone[1] + vectors[c0, 2] * cone[2]
                    < cone_cos
                ):
                    continue
                c1 = star[neighbours[row, pair_first[pair]]]
                c2 = star[neighbours[row, pair_second[pair]]]
                examined += 1
                k0 = _distance(vectors, c1, c2)
                k1 = _distance(vectors, c0, c2)
                k2 = _distance(vectors, c0, c1)
                corner_cat[0], corner_cat[1], corner_cat[2] = c0, c1, c2
                ka, kb, kc = sort_corners(k0, k1, k2, corner_cat)
                if abs(kb / ka - u) > tolerance or abs(kc / ka - v) > tolerance:
                    continue
                scale = ka / a
                if scale < scale_low or scale > scale_high:
                    continue
                d0 = mags[corner_cat[0]] - inst_mag[corner_img[0]]
                d1 = mags[corner_cat[1]] - inst_mag[corner_img[1]]
                d2 = mags[corner_cat[2]] - inst_mag[corner_img[2]]
                spread = max(d0, max(d1, d2)) - min(d0, min(d1, d2))
                if spread > mag_window:
                    continue
                zero_point = (d0 + d1 + d2) / 3.0
                if not _pose_from_three(
                    pose, x_px, y_px, corner_img, vectors, corner_cat, turn_img, parity_wanted
                ):
                    continue
                if rotation_tolerance_rad < 3.2:
                    turn = _plus_y_angle(pose) - rotation_rad
                    turn = abs((turn + np.pi) % (2.0 * np.pi) - np.pi)
                    if turn > rotation_tolerance_rad:
                        continue
                enough = _enough(found, n_found, least_hits)
                hits = count_hits(
                    pose, x_px, y_px, inst_mag, corner_img, order, zero_point,
                    2.5 * position_error_px * scale, 2.0 * tolerance, mag_window,
                    vectors, mags, cell_first, 16, patience, enough, nothing,
                )  # fmt: skip
                if hits >= enough:
                    n_found = _keep(found, n_found, hits, pose[7], corner_img, corner_cat)
    return n_found, examined


@njit(cache=True, inline="always")
def _distance(v, i, j):
    dx = v[i, 0] - v[j, 0]
    dy = v[i, 1] - v[j, 1]
    dz = v[i, 2] - v[j, 2]
    # Angle from chord: the third-order term keeps wide triangles in shape.
    chord2 = dx * dx + dy * dy + dz * dz
    return np.sqrt(chord2) * (1.0 + chord2 / 24.0)


@njit(cache=True, inline="always")
def _turn(x, y, corner):
    """Sense of rotation of the corners, +1 or −1."""
    i, j, k = corner[0], corner[1], corner[2]
    cross = (x[j] - x[i]) * (y[k] - y[i]) - (y[j] - y[i]) * (x[k] - x[i])
    return 1.0 if cross > 0 else -1.0


@njit(cache=True, inline="always")
def _plus_y_angle(pose):
    """Position angle of the image's +y axis, radians."""
    # p = (0, 1) conjugated for parity −1: factor · (i · parity).
    return np.arctan2(-pose[4] * pose[7], pose[3] * pose[7])


@njit(cache=True)
def _pose_from_three(pose, x_px, y_px, img, vectors, cat, turn_img, parity_wanted):
    """Least-squares similarity of three corners; False when the parity is not wanted."""
    tx, ty, tz = vectors[cat[0], 0], vectors[cat[0], 1], vectors[cat[0], 2]
    x1, y1 = _standard(vectors[cat[1], 0], vectors[cat[1], 1], vectors[cat[1], 2], tx, ty, tz)
    x2, y2 = _standard(vectors[cat[2], 0], vectors[cat[2], 1], vectors[cat[2], 2], tx, ty, tz)
    turn_sky = 1.0 if x1 * y2 - y1 * x2 > 0 else -1.0
    parity = turn_sky * turn_img
    if parity_wanted != 0 and parity != parity_wanted:
        return False
    # Complex least squares with the tangent point held on corner 0.
    re, im, norm = 0.0, 0.0, 0.0
    for k in range(1, 3):
        px = x_px[img[k]] - x_px[img[0]]
        py = (y_px[img[k]] - y_px[img[0]]) * parity
        wx = x1 if k == 1 else x2
        wy = y1 if k == 1 else y2
        re += wx * px + wy * py
        im += wy * px - wx * py
        norm += px * px + py * py
    pose[0], pose[1], pose[2] = tx, ty, tz
    pose[3], pose[4] = re / norm, im / norm
    pose[5], pose[6] = x_px[img[0]], y_px[img[0]]
    pose[7] = parity
    return True


@njit(cache=True)
def list_pairs(vectors, members, longest):
    """Pairs of cone members closer than ``longest`` (radians): rows (i, j) and separations.

    Members must be sorted by declination.
    """
    capacity = 1024
    first = np.empty(capacity, np.int32)
    second = np.empty(capacity, np.int32)
    length = np.empty(capacity)
    count = 0
    dec = np.arcsin(vectors[members, 2])
    for a in range(len(members)):
        for b in range(a + 1, len(members)):
            if dec[b] - dec[a] > longest:
                break
            d = _distance(vectors, members[a], members[b])
            if d > longest:
                continue
            if count == capacity:
                capacity *= 2
                first = np.concatenate((first, np.empty(count, np.int32)))
                second = np.concatenate((second, np.empty(count, np.int32)))
                length = np.concatenate((length, np.empty(count)))
            first[count] = members[a]
            second[count] = members[b]
            length[count] = d
            count += 1
    return first[:count], second[:count], length[:count]


@njit(cache=True)
def search_pairs(
    x_px, y_px, inst_mag, order, image_pairs, position_error_px,
    first, second, length, vectors, mags, cell_first,
    scale_low, scale_high, parity_wanted, rotation_rad, rotation_tolerance_rad,
    mag_window, growth, least_hits, found, n_found,
):  # fmt: skip
    """Lay image pairs on catalogue pairs of the right length (sorted), both ways and parities."""
    pose = np.empty(POSE_COLUMNS)
    nothing = np.empty(0, np.int64)
    skip = np.full(3, -1, np.int64)
    ends = np.full(3, -1, np.int64)
    examined = 0
    for t in range(len(image_pairs)):
        a, b = image_pairs[t, 0], image_pairs[t, 1]
        px, py = x_px[b] - x_px[a], y_px[b] - y_px[a]
        d = np.hypot(px, py)
        if d < 10.0 * position_error_px:
            continue
        low = np.searchsorted(length, (d - 2.0 * position_error_px) * scale_low)
        high = np.searchsorted(length, (d + 2.0 * position_error_px) * scale_high)
        skip[0], skip[1] = a, b
        for q in range(low, high):
            for way in range(2):
                i = first[q] if way == 0 else second[q]
                j = second[q] if way == 0 else first[q]
                da = mags[i] - inst_mag[a]
                db = mags[j] - inst_mag[b]
                if abs(da - db) > mag_window:
                    continue
                tx, ty, tz = vectors[i, 0], vectors[i, 1], vectors[i, 2]
                wx, wy = _standard(vectors[j, 0], vectors[j, 1], vectors[j, 2], tx, ty, tz)
                for parity in (1.0, -1.0):
                    if parity_wanted != 0 and parity != parity_wanted:
                        continue
                    qy = py * parity
                    norm = px * px + qy * qy
                    pose[0], pose[1], pose[2] = tx, ty, tz
                    pose[3] = (wx * px + wy * qy) / norm
                    pose[4] = (wy * px - wx * qy) / norm
                    pose[5], pose[6] = x_px[a], y_px[a]
                    pose[7] = parity
                    if rotation_tolerance_rad < 3.2:
                        turn = _plus_y_angle(pose) - rotation_rad
                        turn = abs((turn + np.pi) % (2.0 * np.pi) - np.pi)
                        if turn > rotation_tolerance_rad:
                            continue
                    examined += 1
                    scale = np.sqrt(pose[3] ** 2 + pose[4] ** 2)
                    enough = _enough(found, n_found, least_hits)
                    hits = count_hits(
                        pose, x_px, y_px, inst_mag, skip, order, 0.5 * (da + db),
                        2.5 * position_error_px * scale, growth + 3.0 * position_error_px / d,
                        mag_window, vectors, mags, cell_first, 10, 10, enough, nothing,
                    )  # fmt: skip
                    if hits >= enough:
                        ends[0], ends[1] = i, j
                        n_found = _keep(found, n_found, hits, parity, skip, ends)
    return n_found, examined
