// Depth at a place and along a line from the tiles at hand: what a pocket chart, which has no program behind it, can
// answer. Straight between nodes.
(function () {
    'use strict';
    const leadline = window.leadline;
    const BLANK = -32768;
    const tiles = new Map();

    function where(lon, lat, z) {
        const n = 2 ** z;
        const x = ((lon + 180) / 360) * n;
        const s = Math.sin((lat * Math.PI) / 180);
        const y = (0.5 - Math.log((1 + s) / (1 - s)) / (4 * Math.PI)) * n;
        return { x: Math.floor(x), y: Math.floor(y), u: (x % 1) * 128, v: (y % 1) * 128 };
    }

    async function tileAt(z, x, y) {
        const key = `${z}/${x}/${y}`;
        if (!tiles.has(key)) {
            const buffer = await leadline.source.depth('all', z, x, y);
            tiles.set(key, buffer && leadline.tint.parse(buffer));
        }
        return tiles.get(key);
    }

    /** Depths below the sounding datum, in metres, or null where nothing is known. */
    async function read(lon, lat) {
        const z = leadline.source.maxZoom;
        const { x, y, u, v } = where(lon, lat, z);
        const tile = await tileAt(z, x, y);
        if (!tile) return null;
        const i = Math.min(Math.floor(u), tile.n - 2), j = Math.min(Math.floor(v), tile.n - 2);
        const at = j * tile.n + i;
        const corners = [at, at + 1, at + tile.n, at + tile.n + 1];
        const shares = [(1 - (u - i)) * (1 - (v - j)), (u - i) * (1 - (v - j)), (1 - (u - i)) * (v - j), (u - i) * (v - j)];
        const nearest = corners[shares.indexOf(Math.max(...shares))];
        if (tile.safe[nearest] === BLANK) return null;
        const whole = corners.every((c) => tile.safe[c] !== BLANK);
        const of = (plane) => (whole ? corners.reduce((sum, c, k) => sum + plane[c] * shares[k], 0) : plane[nearest]) / 100;
        return { best: of(tile.best), safe: of(tile.safe), tvu: tile.tvu[nearest] * 0.05, flags: tile.flags[nearest] };
    }

    const GRADE = [null, 'sure', 'fair', 'loose'];

    leadline.water.touchHeld = async (lon, lat) => {
        const at = await read(lon, lat);
        if (!at) return { depth_m: null, basis: 'none', measured: [] };
        return {
            depth_m: at.best, safe_m: at.safe, tvu95_m: at.tvu, grade: GRADE[at.flags & 3],
            basis: at.flags & 8 ? 'cell' : 'surface', dispute: at.flags & 4 ? {} : null, measured: [],
        };
    };

    leadline.water.profileHeld = async (line) => {
        const legs = line.slice(1).map((to, i) => ({ from: line[i], to, length: leadline.pen.between(line[i], to) }));
        const total = legs.reduce((sum, leg) => sum + leg.length, 0);
        const points = [];
        for (let k = 0; k <= 200; k++) {
            let left = (total * k) / 200;
            let at = 0;
            while (at < legs.length - 1 && left > legs[at].length) left -= legs[at++].length;
            const share = legs[at].length ? left / legs[at].length : 0;
            const [lon, lat] = [0, 1].map((d) => legs[at].from[d] + share * (legs[at].to[d] - legs[at].from[d]));
            const here = await read(lon, lat);
            points.push([(total * k) / 200, here && here.best, here && here.safe, here && here.tvu]);
        }
        return { length_m: total, points };
    };
})();
