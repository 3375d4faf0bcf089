// Colours. Depths are one perceptual ramp, light where shoal and dark where deep, the same as on the chart sheets.
(function () {
    'use strict';
    const leadline = window.leadline;

    // Sixteen samples of "deep" from cmocean 4.0.3 (MIT; Thyng, Greene, Hetland, Zimmerle and DiMarco 2016,
    // Oceanography 29(3)): every 16th of its 256 rows, shoal first.
    const DEEP = [
        [253, 254, 204], [221, 242, 186], [187, 230, 172], [152, 218, 164], [120, 206, 163], [98, 191, 164],
        [85, 174, 163], [78, 158, 161], [72, 142, 158], [67, 127, 154], [63, 111, 151], [62, 95, 147],
        [64, 77, 140], [65, 62, 118], [59, 50, 92], [50, 38, 67],
    ];

    const THEMES = {
        day: { ink: [4, 6, 10], paper: [255, 255, 255], drying: [222, 222, 218], keep: 1, line: 1, hatch: 0.5, quiet: 0.4 },
        // In the sun only strong differences are seen: fewer bands, heavier lines, fuller hatching.
        sun: { ink: [0, 0, 0], paper: [255, 255, 255], drying: [205, 205, 200], keep: 1, line: 1.7, hatch: 0.95, quiet: 0.65 },
        // How much light the dark sheet keeps is a judgement: pale ink then reads at 4.5 : 1 on every band.
        night: { ink: [232, 235, 240], paper: [8, 10, 14], drying: [66, 63, 58], keep: 0.42, line: 1, hatch: 0.5, quiet: 0.4 },
    };

    // Okabe and Ito 2008, "Color universal design": hues that every eye tells apart. With each goes a dash, so that
    // no boat is told by its hue alone.
    const BOATS = ['#d55e00', '#0072b2', '#cc79a7', '#009e73', '#e69f00', '#56b4e9', '#000000'];
    const DASHES = [null, [9, 4], [2, 4], [12, 4, 2, 4], [5, 5]];

    const mix = (a, b, share) => a.map((v, i) => Math.round(v + share * (b[i] - v)));
    const theme = () => THEMES[leadline.state.theme];

    /** Colour of depth band `band` of `n`, 0 the shoalest; without the darkest end, where lines would drown. */
    function band(index, n, of) {
        const at = n < 2 ? 2 : (Math.min(index, n - 1) / (n - 1)) * 12;
        const low = Math.min(Math.floor(at), DEEP.length - 2);
        const colour = mix(DEEP[low], DEEP[low + 1], at - low);
        return of.keep === 1 ? colour : mix([0, 0, 0], colour, of.keep);
    }

    // Grades: one hue, the surer the stronger; loose is hatched as well.
    const GRADES = { 1: [120, 104, 158], 2: [172, 158, 204], 3: [222, 216, 236], 0: [240, 238, 244] };
    function grade(code) {
        const of = theme();
        return of.keep === 1 ? GRADES[code] : mix(of.paper, GRADES[code], of.keep + 0.1);
    }

    // Uncertainty (95 %), upper ends in metres; one hue, the less sure the stronger.
    const TVU = [0.1, 0.2, 0.3, 0.5, 1, 2, Infinity];
    function tvu(step) {
        const of = theme();
        const colour = mix([255, 244, 224], [122, 58, 16], step / (TVU.length - 1));
        return of.keep === 1 ? colour : mix([0, 0, 0], colour, of.keep + 0.05);
    }

    /** Steps of the bands in the unit: as few as fit the range; in the sun fewer. */
    function step(range) {
        const steps = { m: [0.5, 1, 2, 5, 10, 20, 50], ft: [1, 2, 5, 10, 20, 50, 100, 200], fm: [0.25, 0.5, 1, 2, 5, 10, 20, 50] };
        const most = leadline.state.theme === 'sun' ? 6 : 9;
        const one = leadline.unit().metres;
        const all = steps[leadline.state.units];
        return all.find((s) => Math.ceil(range / one / s) <= most) || all[all.length - 1];
    }

    // Contrast as WCAG 2.1 defines it.
    const linear = (v) => (v / 255 <= 0.03928 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4);
    const luminance = (c) => 0.2126 * linear(c[0]) + 0.7152 * linear(c[1]) + 0.0722 * linear(c[2]);
    function contrast(a, b) {
        const [x, y] = [luminance(a), luminance(b)];
        return (Math.max(x, y) + 0.05) / (Math.min(x, y) + 0.05);
    }

    const css = (c, alpha) => (alpha === undefined ? `rgb(${c.join(',')})` : `rgba(${c.join(',')},${alpha})`);
    /** Ink or paper, whichever stands out more on `ground`. */
    function inkOn(ground) {
        const { ink, paper } = theme();
        return contrast(ink, ground) >= contrast(paper, ground) ? ink : paper;
    }

    /** Colour and dash of the boat at `index` of the survey's list. */
    function boat(index) {
        const at = Math.max(index, 0);
        const colour = BOATS[at % BOATS.length];
        return {
            colour: colour === '#000000' ? css(theme().ink) : colour,
            dash: DASHES[Math.floor(at / BOATS.length + at) % DASHES.length],
        };
    }

    leadline.palette = { DEEP, THEMES, TVU, theme, band, grade, tvu, step, boat, mix, css, contrast, inkOn };
})();
