// Contours by marching squares on a tile's nodes, straight between nodes. Neighbouring tiles share their edge nodes,
// so the lines of two tiles meet at the seam. Method: Lorensen and Cline 1987 in two dimensions; a saddle is parted by
// the mean of its corners.
(function () {
    'use strict';
    const leadline = window.leadline;
    const BLANK = -32768;

    /** Least and greatest value of each square and of each row of squares; a square with a blank corner holds no line. */
    function ranges(plane, n) {
        const m = n - 1;
        const low = new Int16Array(m * m).fill(32767);
        const high = new Int16Array(m * m).fill(-32768);
        const rowLow = new Int16Array(m).fill(32767);
        const rowHigh = new Int16Array(m).fill(-32768);
        for (let j = 0; j < m; j++) {
            for (let i = 0; i < m; i++) {
                const at = j * n + i;
                const a = plane[at], b = plane[at + 1], c = plane[at + n], d = plane[at + n + 1];
                if (a === BLANK || b === BLANK || c === BLANK || d === BLANK) continue;
                const lo = Math.min(a, b, c, d), hi = Math.max(a, b, c, d);
                low[j * m + i] = lo;
                high[j * m + i] = hi;
                if (lo < rowLow[j]) rowLow[j] = lo;
                if (hi > rowHigh[j]) rowHigh[j] = hi;
            }
        }
        let least = 32767, most = -32768;
        for (let j = 0; j < m; j++) {
            if (rowLow[j] < least) least = rowLow[j];
            if (rowHigh[j] > most) most = rowHigh[j];
        }
        return { low, high, rowLow, rowHigh, least, most };
    }

    // Which sides a line joins, by the corners at or above the level (1 NW, 2 NE, 4 SE, 8 SW). Sides: 0 north, 1 east,
    // 2 south, 3 west.
    const SIDES = [
        [], [[3, 0]], [[0, 1]], [[3, 1]], [[1, 2]], null, [[0, 2]], [[3, 2]],
        [[2, 3]], [[2, 0]], null, [[2, 1]], [[1, 3]], [[1, 0]], [[0, 3]], [],
    ];
    const SADDLES = { 5: [[[3, 0], [1, 2]], [[0, 1], [2, 3]]], 10: [[[0, 1], [2, 3]], [[3, 0], [1, 2]]] };

    let size = 0;
    let first, second; // For each edge of the grid the one or two edges its line goes on to.

    function room(n) {
        if (size === n) return;
        size = n;
        first = new Int32Array(2 * n * n).fill(-1);
        second = new Int32Array(2 * n * n).fill(-1);
    }

    /** Lines of `level` (in the plane's unit): lists of node coordinates x, y, x, y … */
    function trace(plane, n, of, level) {
        room(n);
        const used = [];
        link(plane, n, of, level, used);
        const lines = [];
        for (const edge of used) if (first[edge] !== -1 && second[edge] === -1) lines.push(walk(plane, n, level, edge));
        for (const edge of used) if (first[edge] !== -1) lines.push(walk(plane, n, level, edge));
        return lines;
    }

    function link(plane, n, of, level, used) {
        const m = n - 1;
        const join = (a, b) => {
            if (first[a] === -1) { first[a] = b; used.push(a); } else second[a] = b;
        };
        for (let j = 0; j < m; j++) {
            if (of.rowLow[j] >= level || of.rowHigh[j] < level) continue;
            for (let i = 0; i < m; i++) {
                const square = j * m + i;
                if (of.low[square] >= level || of.high[square] < level) continue;
                const at = j * n + i;
                const a = plane[at], b = plane[at + 1], c = plane[at + n + 1], d = plane[at + n];
                const kind = (a >= level ? 1 : 0) | (b >= level ? 2 : 0) | (c >= level ? 4 : 0) | (d >= level ? 8 : 0);
                const pairs = SIDES[kind] || SADDLES[kind][(a + b + c + d) / 4 >= level ? 1 : 0];
                for (const [from, to] of pairs) {
                    const e = side(at, from, n), f = side(at, to, n);
                    join(e, f);
                    join(f, e);
                }
            }
        }
    }

    /** Number of a square's side: rows of nodes first, then columns. */
    function side(at, which, n) {
        if (which === 0) return at;
        if (which === 2) return at + n;
        return n * n + at + (which === 1 ? 1 : 0);
    }

    function walk(plane, n, level, start) {
        const line = [];
        let edge = start;
        let from = -1;
        while (edge !== -1) {
            crossing(plane, n, level, edge, line);
            const a = first[edge], b = second[edge];
            const next = a !== -1 && a !== from ? a : b !== from ? b : -1;
            first[edge] = second[edge] = -1;
            from = edge;
            edge = next !== -1 && first[next] !== -1 ? next : -1;
            // A ring ends where it began.
            if (edge === -1 && next === start && line.length > 4) line.push(line[0], line[1]);
        }
        return line;
    }

    function crossing(plane, n, level, edge, line) {
        const down = edge >= n * n;
        const at = down ? edge - n * n : edge;
        const a = plane[at], b = plane[at + (down ? n : 1)];
        const t = a === b ? 0.5 : (level - a) / (b - a);
        line.push((at % n) + (down ? 0 : t), Math.floor(at / n) + (down ? t : 0));
    }

    /** Without the points that lie straight between their neighbours (a tenth of a node off at most). */
    function thin(line) {
        const out = [line[0], line[1]];
        let kept = 0;
        for (let i = 2; i < line.length - 2; i += 2) {
            const ax = line[kept], ay = line[kept + 1], bx = line[i + 2], by = line[i + 3];
            const off = Math.abs((bx - ax) * (line[i + 1] - ay) - (by - ay) * (line[i] - ax));
            if (off > 0.1 * Math.hypot(bx - ax, by - ay) || i - kept >= 24) {
                out.push(line[i], line[i + 1]);
                kept = i;
            }
        }
        out.push(line[line.length - 2], line[line.length - 1]);
        return out;
    }

    /** A place for a label: the middle of a line that is long enough, and how the line lies there. */
    function labelPlace(line, least) {
        let length = 0;
        const along = [0];
        for (let i = 2; i < line.length; i += 2) {
            length += Math.hypot(line[i] - line[i - 2], line[i + 1] - line[i - 1]);
            along.push(length);
        }
        if (length < least) return null;
        let mid = along.findIndex((d) => d >= length / 2);
        let back = mid, on = mid;
        while (back > 0 && along[mid] - along[back] < 6) back--;
        while (on < along.length - 1 && along[on] - along[mid] < 6) on++;
        const dx = line[2 * on] - line[2 * back], dy = line[2 * on + 1] - line[2 * back + 1];
        let turn = Math.atan2(dy, dx);
        if (turn > Math.PI / 2) turn -= Math.PI;
        if (turn < -Math.PI / 2) turn += Math.PI;
        return { x: line[2 * mid], y: line[2 * mid + 1], turn, length };
    }

    /**
     * What to draw of a tile: for each level its path in node units and places for labels. `levels` are
     * {at: value in the plane's unit, weight, text}.
     */
    function contours(tile, levels) {
        tile.ranges = tile.ranges || ranges(tile.safe, tile.n);
        const drawn = [];
        for (const level of levels) {
            if (tile.ranges.least >= level.at || tile.ranges.most < level.at) continue;
            const path = new Path2D();
            const labels = [];
            for (const whole of trace(tile.safe, tile.n, tile.ranges, level.at)) {
                const line = thin(whole);
                path.moveTo(line[0], line[1]);
                for (let i = 2; i < line.length; i += 2) path.lineTo(line[i], line[i + 1]);
                const place = labelPlace(line, 40);
                if (place) labels.push(place);
            }
            drawn.push({ level, path, labels });
        }
        return drawn;
    }

    leadline.contour = { BLANK, ranges, trace, thin, contours };
})();
