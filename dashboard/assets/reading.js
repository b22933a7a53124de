// A page whose record is still being read for the first time is opened anew until it is there.
(() => {
  "use strict";
  setInterval(() => {
    if (document.querySelector(".still-reading")) location.reload();
  }, 3000);
})();
