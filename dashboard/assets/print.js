// A page on paper: charts as wide as the sheet, light colors; afterwards all is as it was.
(function () {
    const root = document.documentElement;
    let scheme = null; // of the screen, while a page is printed
    let grids = [];

    const seen = (selector) =>
        [...document.querySelectorAll(selector)].filter((one) => one.offsetParent);

    window.addEventListener("beforeprint", () => {
        if (scheme !== null) {
            return;
        }
        scheme = root.dataset.mantineColorScheme || "light";
        grids = seen(".ag-root-wrapper").map((grid) => [grid, grid.offsetWidth]);
        root.classList.add("printing");
        root.classList.toggle("was-dark", scheme === "dark");
        root.dataset.mantineColorScheme = "light";
        // a grid lays its columns out later than a print waits: it is made smaller as it stands
        grids.forEach(([grid, width]) => {
            const room = grid.parentElement.clientWidth;
            if (room && width > room) {
                grid.style.width = width + "px";
                grid.style.zoom = room / width;
            }
        });
        seen(".js-plotly-plot").forEach((plot) => {
            window.Plotly.relayout(plot, { autosize: false, width: plot.parentElement.clientWidth });
        });
    });

    window.addEventListener("afterprint", () => {
        root.classList.remove("printing", "was-dark");
        root.dataset.mantineColorScheme = scheme;
        scheme = null;
        grids.forEach(([grid]) => {
            grid.style.width = "";
            grid.style.zoom = "";
        });
        seen(".js-plotly-plot").forEach((plot) => {
            window.Plotly.relayout(plot, { autosize: true, width: null });
        });
    });
})();
