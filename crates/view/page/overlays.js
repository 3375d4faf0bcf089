// What lies over the water as shapes: passes, coverage, structure, marks, the plan, a comparison, and what is drawn.
(function () {
    'use strict';
    const leadline = window.leadline;
    const ol = window.ol;
    const format = new ol.GeoJSON({ featureProjection: 'EPSG:3857' });
    const { palette } = leadline;

    const stroke = (colour, width, dash) => new ol.Stroke({ color: colour, width, lineDash: dash || undefined });
    /** A line in `colour` on a rim of paper, so that it shows on every tint. */
    const cased = (colour, width, dash) => {
        const rim = palette.css(palette.theme().paper, 0.85);
        return [new ol.Style({ stroke: stroke(rim, width + 3) }), new ol.Style({ stroke: stroke(colour, width, dash) })];
    };
    const ink = (alpha) => palette.css(palette.theme().ink, alpha);

    function label(text, offset) {
        const of = palette.theme();
        return new ol.Text({
            text, offsetY: offset || 0, font: '600 12px system-ui, sans-serif',
            fill: new ol.Fill({ color: palette.css(of.ink) }), stroke: new ol.Stroke({ color: palette.css(of.paper, 0.9), width: 3.5 }),
        });
    }

    const boatIndex = (name) => (leadline.chart.boats || []).findIndex((b) => b.name === name);

    // Metres a pixel, from where on tracks lie so close that only thin lines tell them apart (judgement).
    const FAR = 3;

    function passStyle(feature, resolution) {
        const { colour, dash } = palette.boat(boatIndex(feature.get('boat')));
        const fresh = feature.get('fresh');
        if (resolution > FAR) return new ol.Style({ stroke: stroke(fresh ? ink() : colour, fresh ? 2 : 1) });
        const width = { sure: 2.6, s: 2.6, fair: 1.8, f: 1.8 }[feature.get('grade')] || 1.1;
        const styles = cased(colour, width, dash);
        if (fresh) styles.unshift(new ol.Style({ stroke: stroke(ink(0.9), width + 7) }));
        return styles;
    }

    /** Weak spots only: how well the rest is known is told by the tint of grades. */
    function coverageStyle(feature) {
        if (feature.get('layer') !== 'weak_spots') return null;
        const weak = feature.get('what') !== 'holiday';
        return [
            new ol.Style({ fill: new ol.Fill({ color: palette.css(palette.theme().paper, weak ? 0.15 : 0.35) }) }),
            new ol.Style({ stroke: stroke(palette.css(palette.theme().paper, 0.9), 4.5) }),
            new ol.Style({ stroke: stroke(ink(), weak ? 1.2 : 2, weak ? [2, 4] : [8, 5]) }),
        ];
    }

    /** Each form of the bed its own shape of sign; none is told by colour. */
    const SIGNS = {
        hump: { points: 3, radius: 8 }, hole: { points: 3, radius: 8, rotation: Math.PI }, ledge: { points: 4, radius: 8 },
        saddle: { points: 4, radius: 8, rotation: Math.PI / 4 }, channel: { points: 6, radius: 7 },
    };
    function sign(shape, filled) {
        const of = palette.theme();
        return new ol.RegularShape({
            ...shape,
            fill: new ol.Fill({ color: palette.css(filled ? of.ink : of.paper, filled ? 1 : 0.9) }),
            stroke: new ol.Stroke({ color: palette.css(filled ? of.paper : of.ink), width: 1.8 }),
        });
    }

    function structureStyle(feature) {
        const kind = String(feature.get('kind') || '');
        const shape = SIGNS[Object.keys(SIGNS).find((k) => kind.startsWith(k))] || SIGNS.saddle;
        const at = new ol.Point(ol.fromLonLat([feature.get('lon'), feature.get('lat')]));
        const relief = feature.get('relief_m');
        const text = typeof relief === 'number' ? `${kind} ${leadline.height(relief)}` : kind;
        return [...cased(ink(), 1.6, [10, 3, 2, 3]), new ol.Style({ geometry: at, image: sign(shape, false), text: label(text, 17) })];
    }

    function markStyle(feature) {
        const kind = String(feature.get('kind') || '');
        const hazard = kind === 'hazard' || kind === 'stump';
        const image = hazard
            ? sign({ points: 4, radius: 11, radius2: 3.5, angle: Math.PI / 4 }, true)
            : sign(kind === 'landing' ? { points: 4, radius: 9, angle: Math.PI / 4 } : { points: 24, radius: 7 }, false);
        const depth = feature.get('depth_m');
        const text = [leadline.plain(feature.get('name') || kind), typeof depth === 'number' ? leadline.depthNumber(depth + leadline.state.stage) : ''].join(' ').trim();
        return new ol.Style({ image, text: label(text, 18) });
    }

    function planStyle(feature) {
        const layer = feature.get('layer');
        if (layer === 'not_reached') return new ol.Style({ image: sign({ points: 4, radius: 7, radius2: 0, angle: Math.PI / 4 }, false) });
        if (layer !== 'plan_legs') return null;
        const way = feature.get('kind') === 'way';
        return cased(ink(), way ? 1.2 : 2.6, way ? [3, 5] : null);
    }

    function changeStyle(feature) {
        if (feature.get('layer') !== 'patches') return cased(ink(), 1.4, [2, 4]);
        const scour = feature.get('kind') === 'scour';
        return [
            new ol.Style({ fill: new ol.Fill({ color: scour ? 'rgba(0,114,178,.45)' : 'rgba(213,94,0,.5)' }) }),
            new ol.Style({ stroke: stroke(ink(), 1.8, scour ? [3, 3] : null), text: label(scour ? leadline.words.who.scour : leadline.words.who.fill) }),
        ];
    }

    /** The open leg: the surer the heavier, in the hue of grades; void dotted; the crew's thin and dashed. */
    const TRAIL = { s: [7, 1], f: [5, 2], l: [4, 3] };
    function trailStyle(feature) {
        const crew = feature.get('crew');
        if (crew !== undefined) return [...cased(ink(0.8), 2, [2, 6]), new ol.Style({ text: label(crew, -10) })];
        const [width, code] = TRAIL[feature.get('grade')] || [1.5, null];
        if (code === null) return cased(ink(0.7), 1.5, [1, 5]);
        return [
            new ol.Style({ stroke: stroke(ink(0.9), width + 3) }),
            new ol.Style({ stroke: stroke(palette.css(palette.grade(code)), width, code === 3 ? [3, 4] : null) }),
        ];
    }

    /** The boat: a ring, with the way it is looked along; a broken ring where it was when the fix stopped. */
    function boatStyle(feature) {
        const of = palette.theme();
        const role = feature.get('role');
        if (role === 'way') return cased(ink(), 3.5);
        if (role === 'wake') return cased(ink(0.8), 2.5, [2, 6]);
        if (role === 'run') return [...cased(ink(), 4, [14, 7]), new ol.Style({ text: label(`${feature.get('number')}`, -14) })];
        const ring = (radius, fill) => new ol.CircleStyle({
            radius, fill: new ol.Fill({ color: fill }),
            stroke: new ol.Stroke({ color: ink(), width: 3.5, lineDash: role === 'gone' ? [4, 5] : undefined }),
        });
        const styles = [new ol.Style({ image: ring(13, palette.css(of.paper, 0.85)) })];
        if (role === 'boat') styles.push(new ol.Style({ image: ring(4, ink()) }));
        return styles;
    }

    const drawnStyle = () => [...cased(ink(), 2.2, [6, 4]), new ol.Style({ fill: new ol.Fill({ color: ink(0.12) }) })];

    const KINDS = {
        coverage: { style: coverageStyle, z: 2 },
        passes: { style: passStyle, z: 3 },
        change: { style: changeStyle, z: 4, local: true },
        structure: { style: structureStyle, z: 5 },
        plan: { style: planStyle, z: 6 },
        marks: { style: markStyle, z: 7 },
        trail: { style: trailStyle, z: 8, local: true },
        boat: { style: boatStyle, z: 9, local: true },
        drawn: { style: drawnStyle, z: 10, local: true },
    };

    const held = {};

    /** Reads a layer if it is switched on and not here yet; a refusal is told and switches it off. */
    async function fill(name) {
        const one = held[name];
        if (one.local || one.asked || !leadline.state.layers[name]) return;
        one.asked = true;
        try {
            const data = await leadline.source.layer(name, name === 'plan' ? leadline.planOptions() : undefined);
            one.source.clear();
            one.source.addFeatures(format.readFeatures(data));
            one.told = (data.features || []).map((f) => f.properties || {});
            leadline.tell('layer', name);
        } catch (error) {
            one.asked = false;
            one.layer.setVisible(false);
            leadline.set({ layers: { ...leadline.state.layers, [name]: false } });
            leadline.say(leadline.refusal(error), true);
        }
    }

    function show() {
        for (const [name, one] of Object.entries(held)) {
            one.layer.setVisible(one.local || Boolean(leadline.state.layers[name]));
            fill(name);
        }
    }

    leadline.overlays = {
        make() {
            return Object.entries(KINDS).map(([name, kind]) => {
                const source = new ol.VectorSource();
                const layer = new ol.VectorLayer({ source, style: kind.style, zIndex: kind.z, className: `over-${name}`, visible: false });
                held[name] = { source, layer, local: kind.local };
                return layer;
            });
        },
        show,
        /** Other data, or other choices: what is shown is read again. */
        forget(names) {
            for (const name of names || Object.keys(held)) if (!held[name].local) held[name].asked = false;
            show();
        },
        restyle: () => Object.values(held).forEach((one) => one.layer.changed()),
        put(name, data) {
            held[name].source.clear();
            if (data) held[name].source.addFeatures(format.readFeatures(data));
        },
        /** Where marks and their names stand, so that no figure is drawn under them. */
        boxes(left, top, resolution, ratio) {
            if (!leadline.state.layers.marks || !held.marks) return [];
            return held.marks.source.getFeatures().map((f) => {
                const [mx, my] = f.getGeometry().getFirstCoordinate();
                const x = ((mx - left) / resolution) * ratio, y = ((top - my) / resolution) * ratio;
                const half = (8 + 4 * String(f.get('name') || f.get('kind') || '').length) * ratio;
                return [x - half, y - 12 * ratio, x + half, y + 27 * ratio];
            });
        },
        told: (name) => held[name].told,
        /** Features that are drawn. */
        count: (name) => held[name].source.getFeatures().length,
        source: (name) => held[name].source,
        at: (pixel, map) => map.forEachFeatureAtPixel(pixel, (f) => f, { hitTolerance: 12, layerFilter: (l) => l === held.marks.layer }),
        drawnStyle,
        sign,
    };
})();
