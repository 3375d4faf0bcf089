// The map itself: what is on it, how it moves, where it is touched.
(function () {
    'use strict';
    const leadline = window.leadline;
    const ol = window.ol;
    const { h } = leadline;

    let map;

    function make() {
        const target = document.getElementById('map');
        target.setAttribute('aria-label', leadline.words.map.label);
        map = new ol.Map({
            target,
            controls: [new ol.ScaleLine({ className: 'scale', minWidth: 70 })],
            interactions: ol.interactions({ altShiftDragRotate: false, pinchRotate: false, doubleClickZoom: false }),
            layers: [leadline.water.layer(), ...leadline.overlays.make()],
            view: new ol.View({ center: [0, 0], zoom: 2, maxZoom: 22, enableRotation: false, constrainRotation: false }),
        });
        map.on('singleclick', (e) => {
            if (leadline.pen.busy()) return;
            const mark = leadline.overlays.at(e.pixel, map);
            leadline.tell('tap', { at: ol.toLonLat(e.coordinate), mark });
        });
        zoomButtons();
        keys(target);
        leadline.map = map;
        return map;
    }

    /** The whole survey in the part of the window no sheet covers. */
    function whole() {
        const { bounds, center } = leadline.chart;
        if (bounds) {
            const extent = ol.transformExtent(bounds, 'EPSG:4326', 'EPSG:3857');
            map.getView().fit(extent, { size: map.getSize(), padding: [70, 24, 40, 24], maxZoom: 18 });
        } else if (center) map.getView().setCenter(ol.fromLonLat(center));
    }

    function zoomButtons() {
        const w = leadline.words.map;
        const by = (step) => () => map.getView().animate({ zoom: map.getView().getZoom() + step, duration: 150 });
        document.getElementById('zoom').setAttribute('aria-label', w.zoom);
        document.getElementById('zoom').append(
            leadline.button('+', by(1), { 'aria-label': w.closer }),
            leadline.button('\u2212', by(-1), { 'aria-label': w.farther }),
            leadline.button(w.wholeShort, whole, { class: 'whole', 'aria-label': w.whole }),
        );
    }

    /** Arrows and + − are the library's; Enter touches the place under the cross, which shows while keys are used. */
    function keys(target) {
        target.addEventListener('keydown', (e) => {
            if (e.key === 'Enter' || e.key === ' ') {
                e.preventDefault();
                leadline.tell(leadline.pen.busy() ? 'penpoint' : 'tap', { at: centre() });
            } else if (e.key === 'Home') whole();
        });
    }

    const centre = () => ol.toLonLat(map.getView().getCenter());

    /** Moves the map so that a place is seen above the sheet. */
    function reveal(lonlat) {
        const pixel = map.getPixelFromCoordinate(ol.fromLonLat(lonlat));
        const sheet = document.getElementById('sheet').getBoundingClientRect();
        const box = document.getElementById('map').getBoundingClientRect();
        if (!pixel || !sheet.height) return;
        const x = pixel[0] + box.left, y = pixel[1] + box.top;
        if (x < sheet.left || x > sheet.right || y < sheet.top || y > sheet.bottom) return;
        map.getView().animate({ center: ol.fromLonLat(lonlat), duration: 150 });
    }

    /** Where a place is shown as touched. */
    function touched(lonlat) {
        const keep = leadline.overlays.source('drawn').getFeatures().filter((f) => f.get('role') !== 'touched');
        leadline.overlays.source('drawn').clear();
        leadline.overlays.source('drawn').addFeatures(keep);
        if (!lonlat) return;
        const feature = new ol.Feature({ geometry: new ol.Point(ol.fromLonLat(lonlat)), role: 'touched' });
        const of = leadline.palette.theme();
        feature.setStyle([
            new ol.Style({ image: new ol.CircleStyle({ radius: 13, stroke: new ol.Stroke({ color: leadline.palette.css(of.paper), width: 6 }) }) }),
            new ol.Style({ image: new ol.CircleStyle({ radius: 13, stroke: new ol.Stroke({ color: leadline.palette.css(of.ink), width: 2.5 }) }) }),
        ]);
        leadline.overlays.source('drawn').addFeature(feature);
    }

    /** Draws at once and keeps how long that took, in milliseconds. */
    function drawNow() {
        const began = performance.now();
        map.renderSync();
        leadline.frameMs = performance.now() - began;
    }

    leadline.chartMap = { make, whole, centre, reveal, touched, drawNow, text: (t) => h('span', null, t) };
})();
