/* The photo to an answer of the inspection: chosen or taken, and made small before it is sent, which also drops where
   and when it was taken. It lies in the page (dashboards/pages/inspection.py) until the answer takes it along. */
(function () {
  "use strict";

  const SIZES = [[1600, 0.8], [1200, 0.7], [800, 0.6]]; // longest side in pixels, quality
  const MOST = 930000; // letters of the address that holds the photo; the server takes 700 kB
  const TAKEN = "The photo goes into your logbook together with your answer.";
  const UNREADABLE = "This file is no picture, or none that this browser can read.";
  let chooser = null; // held, or the browser may forget it while the camera is open

  function drawn(image, side, quality) {
    const scale = Math.min(1, side / Math.max(image.naturalWidth, image.naturalHeight));
    const canvas = document.createElement("canvas");
    canvas.width = Math.max(1, Math.round(image.naturalWidth * scale));
    canvas.height = Math.max(1, Math.round(image.naturalHeight * scale));
    canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
    return canvas.toDataURL("image/jpeg", quality);
  }

  /* The photo as an address that holds it, null where it cannot be made small enough. */
  function small(image) {
    for (const [side, quality] of SIZES) {
      const photo = drawn(image, side, quality);
      if (photo.startsWith("data:image/jpeg") && photo.length <= MOST) return photo;
    }
    return null;
  }

  /* What cannot be used leaves the photo that is there, if any. */
  function show(question, photo, told) {
    const of = (type) => ({ type: type, of: question });
    window.dash_clientside.set_props(of("photo-told"), { children: told });
    if (!photo) return;
    window.dash_clientside.set_props(of("photo"), { data: photo });
    window.dash_clientside.set_props(of("photo-shown"), { src: photo, alt: "Your photo" });
  }

  function take(question, file) {
    const address = URL.createObjectURL(file);
    const image = new Image();
    const done = (photo, told) => {
      URL.revokeObjectURL(address);
      // Whoever has gone on to another question meanwhile is not asked for this photo any more.
      if (document.querySelector(`.photo-file[data-question="${question}"]`)) show(question, photo, told);
    };
    image.onerror = () => done(null, UNREADABLE);
    image.onload = () => {
      const photo = small(image);
      done(photo, photo ? TAKEN : "This picture cannot be made small enough.");
    };
    image.src = address;
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest && event.target.closest(".photo-file");
    if (!button) return;
    const question = button.dataset.question;
    chooser = document.createElement("input");
    chooser.type = "file";
    chooser.accept = "image/*"; // a phone offers its camera
    chooser.onchange = () => chooser.files.length && take(question, chooser.files[0]);
    chooser.click();
  });
})();
