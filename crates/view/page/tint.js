// A tile's picture from its planes. Everything that depends on today's stage is in a table of colours, one entry for
// each depth there can be; so a step of the stage is one new table and one pass over the pixels.
(function () {
    'use strict';
    const leadline = window.leadline;
    const { BLANK } = leadline.contour;
    const PX = 256;
    const LITTLE = new Uint8Array(new Uint32Array([1]).buffer)[0] === 1;

    const pack = (c, alpha) => {
        const a = Math.round(255 * (alpha === undefined ? 1 : alpha));
        return LITTLE ? ((a << 24) | (c[2] << 16) | (c[1] << 8) | c[0]) >>> 0 : ((c[0] << 24) | (c[1] << 16) | (c[2] << 8) | a) >>> 0;
    };

    // Which pixels the patterns take, repeated every 8 pixels so that tiles join: 1 touch hatching, 2 drying hatching
    // (the other way), 4 the dot of loose and disputed, 8 the cross of what just arrived.
    const PATTERN = new Uint8Array(64);
    for (let y = 0; y < 8; y++) {
        for (let x = 0; x < 8; x++) {
            let on = 0;
            if ((x + y) % 8 < 2) on |= 1;
            if ((x - y + 8) % 8 < 2) on |= 2;
            if (x % 4 === 1 && y % 4 === 2) on |= 4;
            if ((x === 5 && y >= 4 && y <= 6) || (y === 5 && x >= 4 && x <= 6)) on |= 8;
            PATTERN[8 * y + x] = on;
        }
    }

    /** Reads a depth tile; throws when it is none. */
    function parse(buffer) {
        const view = new DataView(buffer);
        if (buffer.byteLength < 8 || view.getUint32(0, false) !== 0x4c445431) throw new Error(leadline.words.badTile);
        const n = view.getUint16(4, true);
        if (n !== PX / 2 + 1 || buffer.byteLength < 8 + 6 * n * n) throw new Error(leadline.words.badTile);
        const plane = (at) => {
            if (LITTLE) return new Int16Array(buffer, at, n * n);
            return Int16Array.from({ length: n * n }, (_, i) => view.getInt16(at + 2 * i, true));
        };
        return {
            n,
            safe: plane(8),
            best: plane(8 + 2 * n * n),
            tvu: new Uint8Array(buffer, 8 + 4 * n * n, n * n),
            flags: new Uint8Array(buffer, 8 + 5 * n * n, n * n),
        };
    }

    /** The bands of the legend and of the tints: depth of the water today, in the unit. */
    function bands() {
        const { state, chart } = leadline;
        const [low, high] = chart.depth_range_m || [0, 10];
        const one = leadline.unit().metres;
        const top = Math.max(high + state.stage, 0.1);
        const step = leadline.palette.step(top);
        const n = Math.max(1, Math.ceil(top / one / step));
        return { step, n, one, dries: low + state.stage < 0 };
    }

    const tables = [new Uint32Array(65536), new Uint32Array(65536), new Uint32Array(65536), new Uint32Array(65536)];
    let made = '';

    /** The four tables: plain, on a line of touch hatching, of drying hatching, of both. */
    function table() {
        const { state, palette } = leadline;
        const touch = state.layers.touch;
        const key = [state.stage, state.draft, state.room, state.units, state.theme, touch, leadline.chart.version].join();
        if (key === made) return tables;
        made = key;
        const of = palette.theme();
        const { step, n, one } = bands();
        const colours = Array.from({ length: n }, (_, i) => palette.band(i, n, of));
        const plain = colours.map((c) => pack(c));
        const inked = colours.map((c) => pack(palette.mix(c, of.ink, of.hatch)));
        const dry = pack(of.drying), dryInked = pack(palette.mix(of.drying, of.ink, of.hatch));
        const touches = (state.draft + state.room) * 100;
        const [t0, t1, t2, t3] = tables;
        const shift = state.stage * 100;
        for (let v = BLANK + 1; v < 32768; v++) {
            const at = v + 32768;
            const today = v + shift;
            if (today < 0) {
                t0[at] = t1[at] = dry;
                t2[at] = t3[at] = dryInked;
                continue;
            }
            const band = Math.min(n - 1, Math.floor(today / 100 / one / step));
            const on = touch && today < touches ? inked[band] : plain[band];
            t0[at] = t2[at] = plain[band];
            t1[at] = t3[at] = on;
        }
        for (const t of tables) t[0] = 0;
        return tables;
    }

    function paint(tile, image) {
        const out = new Uint32Array(image.data.buffer);
        if (leadline.state.tint === 'none') out.fill(0);
        else if (leadline.state.tint === 'depth') paintDepth(tile, out, table());
        else paintQuality(tile, out, leadline.state.tint);
        return image;
    }

    /** Depths between four nodes, at the four pixels that lie there; a pixel beside a blank node takes its own node. */
    function paintDepth(tile, out, [t0, t1, t2, t3]) {
        const { safe, flags, n } = tile;
        const by = [t0, t1, t2, t3];
        const quiet = quietColours();
        for (let j = 0; j < n - 1; j++) {
            for (let i = 0; i < n - 1; i++) {
                const at = j * n + i;
                const a = safe[at], b = safe[at + 1], c = safe[at + n], d = safe[at + n + 1];
                let p = a, q = b, r = c, s = d;
                if (a !== BLANK && b !== BLANK && c !== BLANK && d !== BLANK) {
                    p = (9 * a + 3 * b + 3 * c + d) >> 4;
                    q = (3 * a + 9 * b + c + 3 * d) >> 4;
                    r = (3 * a + b + 9 * c + 3 * d) >> 4;
                    s = (a + 3 * b + 3 * c + 9 * d) >> 4;
                }
                const x = 2 * i, y = 2 * j, to = y * PX + x;
                const even = (y & 7) << 3, odd = ((y + 1) & 7) << 3;
                out[to] = pixel(by, p, flags[at], PATTERN[even | (x & 7)], quiet);
                out[to + 1] = pixel(by, q, flags[at + 1], PATTERN[even | ((x + 1) & 7)], quiet);
                out[to + PX] = pixel(by, r, flags[at + n], PATTERN[odd | (x & 7)], quiet);
                out[to + PX + 1] = pixel(by, s, flags[at + n + 1], PATTERN[odd | ((x + 1) & 7)], quiet);
            }
        }
    }

    function pixel(by, value, flag, pattern, quiet) {
        if (value === BLANK) return 0;
        if (pattern & 4 && quiet.loose && ((flag & 3) === 3 || flag & 4)) return quiet.loose;
        if (pattern & 8 && quiet.fresh && flag & 16) return quiet.fresh;
        return by[pattern & 3][value + 32768];
    }

    function quietColours() {
        const { state, palette } = leadline;
        const of = palette.theme();
        return {
            loose: state.layers.loose === false ? 0 : pack(palette.mix(of.paper, of.ink, of.quiet)),
            fresh: state.layers.fresh ? pack([255, 255, 255]) : 0,
        };
    }

    /** Grades or uncertainty, node by node. */
    function paintQuality(tile, out, what) {
        const { palette } = leadline;
        const { n } = tile;
        const of = palette.theme();
        const grades = [0, 1, 2, 3].map((g) => pack(palette.grade(g)));
        const inked = [0, 1, 2, 3].map((g) => pack(palette.mix(palette.grade(g), of.ink, of.hatch)));
        const steps = palette.TVU.map((_, i) => pack(palette.tvu(i)));
        const byTvu = Uint32Array.from({ length: 256 }, (_, v) => steps[v === 255 ? steps.length - 1 : palette.TVU.findIndex((top) => v * 0.05 <= top + 1e-9)]);
        for (let y = 0; y < PX; y++) {
            for (let x = 0; x < PX; x++) {
                const at = ((y + 1) >> 1) * n + ((x + 1) >> 1);
                const to = y * PX + x;
                if (tile.safe[at] === BLANK) { out[to] = 0; continue; }
                const flag = tile.flags[at];
                const pattern = PATTERN[((y & 7) << 3) | (x & 7)];
                if (what === 'tvu') out[to] = byTvu[tile.tvu[at]];
                else {
                    const hatched = ((flag & 3) === 3 && pattern & 1) || (flag & 4 && pattern & 2);
                    out[to] = (hatched ? inked : grades)[flag & 3];
                }
            }
        }
    }

    leadline.tint = { PX, parse, paint, bands, table };
})();
