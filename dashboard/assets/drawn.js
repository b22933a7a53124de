/* Draws the parts of a page that are told as plain elements: see drawn.py. */
(function () {
  "use strict";

  if (!window.React) return; // a page kept for when there is no network is drawn already
  const make = window.React.createElement;

  function Drawn(props) {
    const own = [].concat(props.children === undefined ? [] : props.children);
    function element(told) {
      if (typeof told === "string") return told;
      if (typeof told === "number") return own[told];
      const [name, having, ...children] = told;
      return make(name, having, ...children.map(element));
    }
    return make(window.React.Fragment, null, ...props.told.map(element));
  }
  window.toteproof = Object.assign(window.toteproof || {}, { Drawn: Drawn });
})();
