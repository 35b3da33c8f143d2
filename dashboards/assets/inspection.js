/* Makes a photo small before it is sent, which also drops where and when it was taken.
   Called by Dash as a client-side callback (dashboards/pages/inspection.py). */
(function () {
  "use strict";

  const SIZES = [[1600, 0.8], [1200, 0.7], [800, 0.6]]; // longest side in pixels, quality
  const MOST = 930000; // letters of the address that holds the photo; the server takes 700 kB

  function drawn(image, side, quality) {
    const scale = Math.min(1, side / Math.max(image.naturalWidth, image.naturalHeight));
    const canvas = document.createElement("canvas");
    canvas.width = Math.max(1, Math.round(image.naturalWidth * scale));
    canvas.height = Math.max(1, Math.round(image.naturalHeight * scale));
    canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
    return canvas.toDataURL("image/jpeg", quality);
  }

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.obdwatch_inspection = {
    shrink: function (contents) {
      if (!contents) return window.dash_clientside.no_update;
      const refused = (why) => [null, why, "", ""];
      return new Promise((resolve) => {
        const image = new Image();
        image.onerror = () => resolve(refused("This is no picture that the browser can read."));
        image.onload = () => {
          for (const [side, quality] of SIZES) {
            const small = drawn(image, side, quality);
            if (small.startsWith("data:image/jpeg") && small.length <= MOST) {
              return resolve([small, "The photo is kept together with your answer.", small, "Your photo"]);
            }
          }
          return resolve(refused("This picture cannot be made small enough."));
        };
        image.src = contents;
      });
    },
  };
})();
