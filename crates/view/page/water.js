// The water: depth tints, contours with labels and sounding figures, drawn on one canvas. Tiles are fetched as the map
// moves, kept, and drawn anew in place when the stage changes.
(function () {
    'use strict';
    const leadline = window.leadline;
    const { PX } = leadline.tint;
    const WORLD = 2 * 20037508.342789244;
    const KEEP = 120; // tiles, a third of a megabyte each
    const AT_ONCE = 6; // requests under way

    const tiles = new Map(); // key -> tile, in order of last use
    const figures = new Map();
    const past = new Map(); // tiles of the data before: shown until the new ones are here
    let queue = [];
    let running = 0;
    let canvas, image, stamp = 0;

    const zoomOf = (resolution) => {
        const { minZoom = 0, maxZoom = 20 } = leadline.source;
        return Math.max(minZoom, Math.min(maxZoom, Math.round(Math.log2(WORLD / PX / resolution))));
    };

    /** Tiles of zoom `z` that the extent touches. */
    function cover(extent, z) {
        const size = WORLD / 2 ** z;
        const at = (v) => Math.max(0, Math.min(2 ** z - 1, Math.floor(v)));
        const list = [];
        for (let y = at((WORLD / 2 - extent[3]) / size); y <= at((WORLD / 2 - extent[1]) / size); y++) {
            for (let x = at((extent[0] + WORLD / 2) / size); x <= at((extent[2] + WORLD / 2) / size); x++) list.push({ z, x, y });
        }
        return list;
    }

    // What the leg that is being recorded adds to the map: its number, and where.
    let grown = null;

    function degreesOf({ z, x, y }) {
        const n = 2 ** z;
        const lat = (row) => (Math.atan(Math.sinh(Math.PI * (1 - (2 * row) / n))) * 180) / Math.PI;
        return [(x / n) * 360 - 180, lat(y + 1), ((x + 1) / n) * 360 - 180, lat(y)];
    }

    /** The number of the growth a tile has to be asked for with; none for what has not grown. */
    function grownAt(at) {
        if (!grown || !grown.bounds || leadline.state.show !== 'all') return undefined;
        const [west, south, east, north] = degreesOf(at);
        const b = grown.bounds;
        return west <= b[2] && east >= b[0] && south <= b[3] && north >= b[1] ? grown.number : undefined;
    }

    /** The map has grown: tiles there are asked for again; the old ones are shown until the new are here. */
    function grow(next) {
        if ((grown && grown.number) === (next && next.number)) return;
        const was = grown;
        grown = next;
        if (next && next.depth_range_m) leadline.chart.depth_range_m = next.depth_range_m;
        for (const store of [tiles, figures]) {
            for (const [key, tile] of [...store]) {
                const now = grownAt(tile.at);
                const before = was && was.bounds && tile.grown;
                if (now === undefined && !before) continue;
                if (store === tiles && tile.state === 'here') past.set(placeOf(tile.at), tile);
                store.delete(key);
            }
        }
        changed();
    }

    /** Is the tile near anything that was measured? What is not is never asked for. */
    function worth({ z, x, y }) {
        if (grownAt({ z, x, y }) !== undefined) return true;
        const bounds = leadline.chart.bounds;
        if (!bounds) return false;
        const n = 2 ** z;
        const lat = (row) => (Math.atan(Math.sinh(Math.PI * (1 - (2 * row) / n))) * 180) / Math.PI;
        const margin = 0.01;
        return (x / n) * 360 - 180 <= bounds[2] + margin && ((x + 1) / n) * 360 - 180 >= bounds[0] - margin &&
            lat(y + 1) <= bounds[3] + margin && lat(y) >= bounds[1] - margin;
    }

    const placeOf = ({ z, x, y }) => `${z}/${x}/${y}`;
    const keyOf = ({ z, x, y }) => `${leadline.state.show}/${z}/${x}/${y}`;

    /** The tile if it is here; otherwise it is asked for. */
    function want(store, at, ask) {
        const key = keyOf(at);
        let tile = store.get(key);
        if (tile) {
            store.delete(key);
            store.set(key, tile);
            return tile;
        }
        tile = { state: 'waiting', at, grown: grownAt(at) };
        store.set(key, tile);
        queue.push({ tile, store, key, ask });
        next();
        return tile;
    }

    function next() {
        while (running < AT_ONCE && queue.length) {
            const job = queue.pop(); // What was asked for last is looked at now.
            if (job.store.get(job.key) !== job.tile) continue;
            running++;
            job.ask(job.tile.at)
                .then((data) => Object.assign(job.tile, data ? { state: 'here', data } : { state: 'empty' }))
                .catch(() => {
                    job.tile.state = 'failed';
                    setTimeout(() => {
                        job.store.delete(job.key);
                        changed();
                    }, 3000);
                })
                .finally(() => {
                    running--;
                    trim(job.store);
                    next();
                    changed();
                });
        }
    }

    function trim(store) {
        for (const key of store.keys()) {
            if (store.size <= KEEP) break;
            store.delete(key);
        }
    }

    const askDepth = async ({ z, x, y }) => {
        const buffer = await leadline.source.depth(leadline.state.show, z, x, y);
        return buffer && leadline.tint.parse(buffer);
    };
    const askFigures = ({ z, x, y }) => leadline.source.soundings(leadline.state.show, z, x, y);

    /** What a tile's picture depends on. */
    function look() {
        const { state } = leadline;
        return [state.stage, state.draft, state.room, state.units, state.theme, state.tint, state.layers.touch, state.layers.loose, state.layers.fresh].join();
    }

    function picture(tile) {
        const wanted = look();
        if (tile.look === wanted) return tile.canvas;
        if (!tile.canvas) {
            tile.canvas = document.createElement('canvas');
            tile.canvas.width = tile.canvas.height = PX;
            tile.pen = tile.canvas.getContext('2d');
        }
        image = image || new ImageData(PX, PX);
        tile.pen.putImageData(leadline.tint.paint(tile.data, image), 0, 0);
        tile.look = wanted;
        return tile.canvas;
    }

    /** Contour levels for a zoom: closer the nearer one looks, in the unit; what is drawn heavier. */
    function levels(z) {
        const { state, chart } = leadline;
        const { one, step } = leadline.tint.bands();
        const finer = z >= 18 ? 4 : z >= 16 ? 2 : 1;
        const every = Math.max(step / finer, state.units === 'fm' ? 0.25 : state.units === 'ft' ? 1 : 0.25);
        const [low, high] = chart.depth_range_m || [0, 0];
        const list = [];
        const from = Math.ceil((low + state.stage) / one / every), to = Math.floor((high + state.stage) / one / every);
        for (let k = Math.max(from, to - 400); k <= to; k++) {
            const depth = k * every;
            // Half a centimetre off, so that no level falls on a node's whole centimetre.
            const at = (depth * one - state.stage) * 100 + 0.5;
            const heavy = Math.abs(depth / step - Math.round(depth / step)) < 1e-6;
            list.push({ at, depth, weight: k === 0 ? 2.2 : heavy ? 1.2 : 0.6, text: `${+depth.toFixed(2)}` });
        }
        return list;
    }

    function lines(tile, z) {
        const { state } = leadline;
        const wanted = [state.stage, state.units, state.theme === 'sun', z, leadline.chart.version].join();
        if (tile.linesFor !== wanted) {
            tile.lines = leadline.contour.contours(tile.data, levels(z));
            tile.linesFor = wanted;
        }
        return tile.lines;
    }

    function render(frame) {
        const ratio = frame.pixelRatio;
        const [width, height] = frame.size;
        if (!canvas) {
            canvas = document.createElement('canvas');
            canvas.className = 'water';
        }
        if (canvas.width !== Math.round(width * ratio) || canvas.height !== Math.round(height * ratio)) {
            canvas.width = Math.round(width * ratio);
            canvas.height = Math.round(height * ratio);
        }
        const pen = canvas.getContext('2d');
        pen.setTransform(1, 0, 0, 1, 0, 0);
        pen.clearRect(0, 0, canvas.width, canvas.height);
        if (leadline.chart) draw(pen, frame);
        return canvas;
    }

    function draw(pen, frame) {
        const { resolution, center } = frame.viewState;
        const ratio = frame.pixelRatio;
        const [width, height] = frame.size;
        const z = zoomOf(resolution);
        const scale = (WORLD / 2 ** z / PX / resolution) * ratio;
        const left = center[0] - (width / 2) * resolution, top = center[1] + (height / 2) * resolution;
        const place = ({ z: tz, x, y }) => {
            const size = WORLD / 2 ** tz;
            return [((x * size - WORLD / 2 - left) / resolution) * ratio, ((top - WORLD / 2 + y * size) / resolution) * ratio];
        };
        queue = queue.filter((job) => job.tile.at.z === z);
        const extent = [left, top - height * resolution, left + width * resolution, top];
        const inView = cover(extent, z).filter(worth).map((at) => ({ at, tile: want(tiles, at, askDepth) }));
        pen.imageSmoothingEnabled = true;
        for (const { at, tile } of inView) tints(pen, at, tile, place, scale);
        const taken = leadline.overlays.boxes(left, top, resolution, ratio);
        if (leadline.state.layers.contours) contourLines(pen, inView, place, scale, z, ratio, taken);
        if (leadline.state.layers.soundings) soundingFigures(pen, inView, left, top, resolution, ratio, taken);
        if (!running && !queue.length) past.clear();
        stamp++;
    }

    function tints(pen, at, tile, place, scale) {
        const [x, y] = place(at);
        const right = x + PX * scale, low = y + PX * scale;
        const box = [Math.round(x), Math.round(y), Math.round(right) - Math.round(x), Math.round(low) - Math.round(y)];
        const before = past.get(placeOf(at));
        if (tile.state === 'here') pen.drawImage(picture(tile), ...box);
        else if (tile.state === 'empty') return;
        else if (before) pen.drawImage(picture(before), ...box);
        else ancestor(pen, at, box);
    }

    /** Until a tile is here, the part of a coarser one that is. */
    function ancestor(pen, at, box) {
        for (let up = 1; up <= 4; up++) {
            const above = tiles.get(keyOf({ z: at.z - up, x: at.x >> up, y: at.y >> up }));
            if (!above || above.state !== 'here') continue;
            const part = PX / 2 ** up;
            const sx = (at.x % 2 ** up) * part, sy = (at.y % 2 ** up) * part;
            pen.drawImage(picture(above), sx, sy, part, part, ...box);
            return;
        }
    }

    function contourLines(pen, inView, place, scale, z, ratio, taken) {
        const of = leadline.palette.theme();
        const labels = [];
        pen.strokeStyle = leadline.palette.css(of.ink, 0.85);
        pen.lineJoin = 'round';
        for (const { at, tile } of inView) {
            const drawn = tile.state === 'waiting' ? past.get(placeOf(at)) : tile;
            if (!drawn || drawn.state !== 'here') continue;
            const [x, y] = place(at);
            const node = 2 * scale;
            pen.setTransform(node, 0, 0, node, x, y);
            for (const { level, path, labels: places } of lines(drawn, z)) {
                pen.lineWidth = (level.weight * of.line * ratio) / node;
                pen.stroke(path);
                for (const p of places) labels.push({ x: x + p.x * node, y: y + p.y * node, turn: p.turn, text: level.text, heavy: level.weight > 1, length: p.length });
            }
        }
        pen.setTransform(1, 0, 0, 1, 0, 0);
        contourLabels(pen, labels, ratio, taken);
    }

    /** Labels on a few lines: heavy and long ones first, none on another. */
    function contourLabels(pen, labels, ratio, taken) {
        const of = leadline.palette.theme();
        const size = 12 * ratio;
        pen.font = `600 ${size}px system-ui, sans-serif`;
        pen.textAlign = 'center';
        pen.textBaseline = 'middle';
        labels.sort((a, b) => b.heavy - a.heavy || b.length - a.length);
        let drawn = 0;
        for (const label of labels) {
            if (drawn >= 60) break;
            const half = 26 * ratio;
            if (!free(taken, label.x - half, label.y - half, label.x + half, label.y + half)) continue;
            taken.push([label.x - 14 * ratio, label.y - 11 * ratio, label.x + 14 * ratio, label.y + 11 * ratio]);
            pen.setTransform(Math.cos(label.turn), Math.sin(label.turn), -Math.sin(label.turn), Math.cos(label.turn), label.x, label.y);
            haloed(pen, label.text, 0, 0, ratio, of);
            drawn++;
        }
        pen.setTransform(1, 0, 0, 1, 0, 0);
    }

    function haloed(pen, text, x, y, ratio, of) {
        pen.lineWidth = 3.5 * ratio;
        pen.strokeStyle = leadline.palette.css(of.paper, 0.9);
        pen.strokeText(text, x, y);
        pen.fillStyle = leadline.palette.css(of.ink);
        pen.fillText(text, x, y);
    }

    function free(taken, left, top, right, low) {
        return !taken.some((b) => b[0] < right && b[2] > left && b[1] < low && b[3] > top);
    }

    /** Figures of the soundings at today's stage, the shoaler first; tenths lowered, what dries underlined. */
    function soundingFigures(pen, inView, left, top, resolution, ratio, taken) {
        const all = [];
        for (const { at } of inView) {
            const held = want(figures, at, askFigures);
            if (held.state !== 'here') continue;
            held.at3857 = held.at3857 || held.data.map(([lon, lat]) => window.ol.fromLonLat([lon, lat]));
            held.data.forEach((s, i) => all.push({ depth: s[2], grade: s[3], x: ((held.at3857[i][0] - left) / resolution) * ratio, y: ((top - held.at3857[i][1]) / resolution) * ratio }));
        }
        all.sort((a, b) => a.depth - b.depth || a.x - b.x || a.y - b.y);
        const size = (leadline.state.theme === 'sun' ? 15 : 13) * ratio;
        for (const s of all) {
            const w = size * 1.1, h = size * 0.75;
            if (!free(taken, s.x - w, s.y - h, s.x + w, s.y + h)) continue;
            taken.push([s.x - w, s.y - h, s.x + w, s.y + h]);
            figure(pen, s, size, ratio);
        }
    }

    function figure(pen, s, size, ratio) {
        const of = leadline.palette.theme();
        const today = s.depth + leadline.state.stage;
        const [whole, part] = split(Math.abs(today), today < 0);
        pen.textAlign = 'left';
        pen.textBaseline = 'alphabetic';
        const big = `${s.grade === 'l' ? 'italic ' : ''}600 ${size}px system-ui, sans-serif`;
        const small = `${s.grade === 'l' ? 'italic ' : ''}600 ${size * 0.72}px system-ui, sans-serif`;
        pen.font = big;
        const w = pen.measureText(whole).width;
        pen.font = small;
        const x = s.x - (w + pen.measureText(part).width) / 2, y = s.y + size * 0.36;
        pen.font = big;
        haloed(pen, whole, x, y, ratio, of);
        pen.font = small;
        haloed(pen, part, x + w, y + size * 0.2, ratio, of);
        if (today < 0) pen.fillRect(x, y + size * 0.12, w, Math.max(1, size * 0.09));
    }

    /** Whole units and the lowered figure: tenths of the unit, of fathoms feet. Cut to the shoal side. */
    function split(depth, dries) {
        const value = depth / leadline.unit().metres;
        const parts = leadline.state.units === 'fm' ? 6 : 10;
        const n = dries ? Math.ceil(value * parts - 1e-6) : Math.floor(value * parts + 1e-6);
        return [`${Math.floor(n / parts)}`, n % parts ? `${n % parts}` : ''];
    }

    let layer;
    const changed = () => layer && layer.changed();

    leadline.water = {
        layer() {
            layer = new window.ol.Layer({ render });
            return layer;
        },
        changed,
        /** Everything is asked for anew: other data, or another choice of boats and days. */
        forget() {
            past.clear();
            for (const tile of tiles.values()) if (tile.state === 'here') past.set(placeOf(tile.at), tile);
            tiles.clear();
            figures.clear();
            queue = [];
            changed();
        },
        grow,
        grownAt,
        tiles,
        split,
        zoomOf,
        frames: () => stamp,
        busy: () => running + queue.length,
    };
})();
