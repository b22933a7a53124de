/* Draws the parts of a page that are told as plain elements, and its charts: see drawn.py. */
(function () {
  "use strict";

  const React = window.React;
  if (!React) return; // a page kept for when there is no network is drawn already
  const NONE = [];

  function Drawn(props) {
    const own = NONE.concat(props.children === undefined ? NONE : props.children);
    function element(told) {
      if (typeof told === "string") return told;
      if (typeof told === "number") return own[told];
      const [name, having, ...children] = told;
      return React.createElement(name === "Chart" ? Chart : name, having, ...children.map(element));
    }
    return React.createElement(React.Fragment, null, ...props.told.map(element));
  }

  let fetched = null;
  function library(address) {
    fetched = fetched || new Promise(function (done, failed) {
      const script = Object.assign(document.createElement("script"), { src: address });
      script.onload = function () { if (window.Plotly) done(); else script.onerror(); };
      script.onerror = function () { fetched = null; failed(new Error("the charts' library did not load")); };
      document.head.append(script);
    });
    return fetched;
  }

  /* Both ends of a stretch that was dragged over, whichever chart of the figure it was. */
  const stretch = (event) => event && event.range && Object.entries(event.range).filter(([axis]) => axis.startsWith("x")).map(([, ends]) => ends.join("/"))[0];

  /* Charts of elements that went, by name, until those that take their place have come. */
  const left = {};

  function Chart(props) {
    const place = React.useRef(null);
    React.useLayoutEffect(function () {
      const chart = left[props.id] || document.createElement("div");
      delete left[props.id];
      chart.style.height = "100%";
      place.current.append(chart);
      library(props.library).then(function () {
        if (!props.figure || !chart.isConnected) return;
        if (chart.firstChild && !chart.on) chart.replaceChildren();
        const anew = !chart.on, layout = structuredClone(props.figure.layout);
        window.Plotly.react(chart, props.figure.data, Object.assign(layout, { autosize: true, height: undefined }), props.config);
        if (!anew || !props.chosen) return;
        for (const each of ["plotly_selected", "plotly_deselect"]) chart.on(each, (event) => window.dash_clientside.set_props(props.chosen, { data: stretch(event) || null }));
      }, function () {
        if (props.figure && chart.isConnected) chart.replaceChildren(Object.assign(document.createElement("p"), { className: "note", textContent: props.missing }));
      });
      return function () {
        left[props.id] = chart;
        setTimeout(function () {
          if (left[props.id] !== chart) return;
          delete left[props.id];
          if (chart.on) window.Plotly.purge(chart);
        });
      };
    }, [props.figure]);
    const look = props.figure ? { className: "dash-graph", style: { height: props.height } } : {};
    return React.createElement("div", Object.assign({ id: props.id, ref: place }, look));
  }
  window.toteproof = Object.assign(window.toteproof || {}, { Drawn: Drawn, Chart: Chart });
})();
