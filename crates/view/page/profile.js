// The bed along a line, as a picture: the water at today's stage, the best depth with its band, the safe depth.
(function () {
    'use strict';
    const leadline = window.leadline;
    const W = 340, H = 190, LEFT = 40, RIGHT = 8, TOP = 12, FOOT = 26;

    const svg = (tag, given, ...children) => {
        const element = document.createElementNS('http://www.w3.org/2000/svg', tag);
        for (const [name, value] of Object.entries(given || {})) element.setAttribute(name, value);
        element.append(...children);
        return element;
    };

    /** Stretches of points where `of` knows something. */
    function runs(points, of) {
        const out = [];
        let run = null;
        for (const p of points) {
            if (of(p) === null || of(p) === undefined) run = null;
            else {
                if (!run) out.push((run = []));
                run.push(p);
            }
        }
        return out;
    }

    leadline.profilePicture = (profile) => {
        const w = leadline.words.place;
        const { stage, draft, room } = leadline.state;
        const one = leadline.unit().metres;
        const known = profile.points.filter((p) => p[1] !== null);
        if (!known.length) return leadline.h('p', null, w.profileUnknown);
        const deepest = Math.max(...known.map((p) => p[1] + (p[3] || 0))) + stage;
        const highest = Math.min(0, ...known.map((p) => Math.min(p[1], p[2] ?? p[1]) + stage));
        const x = (d) => LEFT + (d / profile.length_m) * (W - LEFT - RIGHT);
        const y = (depth) => TOP + ((depth - highest) / Math.max(deepest - highest, 0.1)) * (H - TOP - FOOT);
        const path = (run, of) => run.map((p, i) => `${i ? 'L' : 'M'}${x(p[0]).toFixed(1)} ${y(of(p) + stage).toFixed(1)}`).join('');
        const picture = svg('svg', { viewBox: `0 0 ${W} ${H}`, role: 'img', class: 'profile', 'aria-label': w.profileSpoken(leadline.distance(profile.length_m), leadline.depth(Math.min(...known.map((p) => p[1])) + stage), leadline.depth(Math.max(...known.map((p) => p[1])) + stage)) });
        picture.append(svg('rect', { x: LEFT, y: y(0), width: W - LEFT - RIGHT, height: Math.max(0, H - FOOT - y(0)), class: 'wet' }));
        axes(picture, x, y, profile.length_m, highest, deepest, one);
        for (const run of runs(profile.points, (p) => p[1])) {
            const band = path(run, (p) => p[1] - (p[3] || 0)) + path([...run].reverse(), (p) => p[1] + (p[3] || 0)).replace('M', 'L') + 'Z';
            picture.append(svg('path', { d: band, class: 'band' }), svg('path', { d: path(run, (p) => p[1]), class: 'best' }));
        }
        for (const run of runs(profile.points, (p) => p[2])) picture.append(svg('path', { d: path(run, (p) => p[2]), class: 'safe' }));
        const keel = draft + room;
        if (keel > 0 && keel < deepest) picture.append(svg('line', { x1: LEFT, x2: W - RIGHT, y1: y(keel), y2: y(keel), class: 'keel' }));
        return leadline.h('figure', null, picture, leadline.h('figcaption', null, w.profileLegend));
    };

    function axes(picture, x, y, length, highest, deepest, one) {
        const size = leadline.palette.step(Math.max(deepest - highest, 0.5)) * 2;
        for (let k = Math.ceil(highest / one / size); k * size * one <= deepest; k++) {
            const at = y(k * size * one);
            picture.append(svg('line', { x1: LEFT, x2: W - RIGHT, y1: at, y2: at, class: k === 0 ? 'surface' : 'rule' }), svg('text', { x: LEFT - 5, y: at + 4, 'text-anchor': 'end' }, `${+(k * size).toFixed(2)}`));
        }
        picture.append(svg('text', { x: 4, y: H - 8 }, leadline.state.units), svg('text', { x: LEFT, y: H - 8 }, '0'), svg('text', { x: W - RIGHT, y: H - 8, 'text-anchor': 'end' }, leadline.distance(length)));
    }
})();
