// What the pages do in the browser besides what Dash does: the tab's title and the page's width.
(function () {
  "use strict";

  function width() {
    return document.documentElement.clientWidth || window.innerWidth;
  }

  let timer = null;
  let told = null;

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    soakbench: {
      setTitle: function (title) {
        if (title) {
          document.title = title;
        }
        return window.dash_clientside.no_update;
      },

      // The charts are laid out for the page's width; a turned phone or a dragged window tells it anew.
      watchWidth: function () {
        told = width();
        window.addEventListener("resize", function () {
          window.clearTimeout(timer);
          timer = window.setTimeout(function () {
            if (Math.abs(width() - told) > 8) {
              told = width();
              window.dash_clientside.set_props("screen", { data: told });
            }
          }, 300);
        });
        return told;
      },
    },
  });
})();
