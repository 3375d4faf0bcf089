(function (global) {
  "use strict";
  global.leadline = global.leadline || {};
})(typeof window === "undefined" ? globalThis : window);
