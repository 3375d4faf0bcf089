// Drawing a line or an area with a finger, a mouse or the keyboard. No double tap is needed: Done ends it.
(function () {
    'use strict';
    const leadline = window.leadline;
    const ol = window.ol;
    let draw = null;
    let done = null;

    const shape = () => leadline.overlays.source('drawn').getFeatures().filter((f) => f.get('role') === 'shape');
    const clear = () => shape().forEach((f) => leadline.overlays.source('drawn').removeFeature(f));

    /** Lets a person draw; answers the corners as [lon, lat], or null when it was left. */
    function start(kind, hint) {
        stop(null);
        clear();
        const area = kind === 'area';
        let corners = 0;
        draw = new ol.Draw({
            source: leadline.overlays.source('drawn'), type: area ? 'Polygon' : 'LineString', style: leadline.overlays.drawnStyle,
            maxPoints: 50, minPoints: area ? 3 : 2, stopClick: true,
        });
        draw.on('drawend', (e) => {
            e.feature.set('role', 'shape');
            const coordinates = area ? e.feature.getGeometry().getCoordinates()[0].slice(0, -1) : e.feature.getGeometry().getCoordinates();
            setTimeout(() => stop(coordinates.map((c) => ol.toLonLat(c))));
        });
        leadline.map.addInteraction(draw);
        bar(hint, area);
        corners = 0;
        leadline.pen.add = (lonlat) => {
            draw.appendCoordinates([ol.fromLonLat(lonlat)]);
            corners++;
            leadline.say(leadline.words.pen.added(corners));
        };
        return new Promise((ready) => (done = ready));
    }

    function bar(hint) {
        const w = leadline.words.pen;
        const box = document.getElementById('pen');
        box.hidden = false;
        box.setAttribute('aria-label', w.label);
        box.replaceChildren(
            leadline.h('p', null, hint),
            leadline.button(w.add, () => leadline.pen.add(leadline.chartMap.centre())),
            leadline.button(w.back, () => draw.removeLastPoint()),
            leadline.button(w.done, finish, { class: 'strong' }),
            leadline.button(leadline.words.cancel, () => stop(null)),
        );
        document.body.classList.add('drawing');
        if (matchMedia('(max-width: 799px)').matches) leadline.sheets.close();
    }

    /** Done before there are enough corners is said, not taken. */
    function finish() {
        const sketch = draw.finishDrawing();
        if (!sketch && draw) leadline.say(leadline.words.pen.few, true);
    }

    function stop(result) {
        if (draw) leadline.map.removeInteraction(draw);
        draw = null;
        document.getElementById('pen').hidden = true;
        document.body.classList.remove('drawing');
        const ready = done;
        done = null;
        if (ready) ready(result);
    }

    leadline.on('penpoint', ({ at }) => draw && leadline.pen.add(at));

    /** Metres between two places, on the ellipsoid's mean sphere. */
    const between = (a, b) => ol.getLength(new ol.LineString([ol.fromLonLat(a), ol.fromLonLat(b)]));
    const length = (line) => line.slice(1).reduce((sum, to, i) => sum + between(line[i], to), 0);
    const area = (ring) => ol.getArea(new ol.Polygon([[...ring, ring[0]].map((c) => ol.fromLonLat(c))]));

    leadline.pen = { start, clear, busy: () => Boolean(draw), between, length, area, add: () => undefined };
})();
