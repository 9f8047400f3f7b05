// A code that came with the QR code stands behind "#", where it was never sent; it is filled in, not given by itself.
"use strict";
(() => {
  const code = location.hash.slice(1);
  const field = document.getElementById("code");
  if (!field || !/^\d{8}$/.test(code)) return;
  field.value = code;
  history.replaceState(null, "", location.pathname);
})();
