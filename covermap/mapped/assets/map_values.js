/* The rasters: unpacked once, painted on canvases that lie on the map, read cell by cell. */
(function () {
  var data = covermap.data;
  var grid = data.grid;
  var place = data.place;
  var cells = grid.rows * grid.cols;
  var rasters = {};
  var waiting = [];

  function bytesOf(text) {
    var binary = atob(text);
    var bytes = new Uint8Array(binary.length);
    for (var i = 0; i < binary.length; i += 1) { bytes[i] = binary.charCodeAt(i); }
    return bytes;
  }

  function inflated(text) {
    var stream = new Blob([bytesOf(text)]).stream()
      .pipeThrough(new DecompressionStream("deflate"));
    return new Response(stream).arrayBuffer().then(function (buffer) {
      return new Uint8Array(buffer);
    });
  }

  /* What an earlier raster leads one to expect, plus what is stored, modulo 256. */
  function unpack(raster) {
    return inflated(raster.data).then(function (index) {
      raster.data = null;
      if (raster.less === "row above") {
        for (var k = grid.cols; k < cells; k += 1) { index[k] += index[k - grid.cols]; }
      }
      if (raster.like) {
        var expected = bytesOf(raster.expected);
        var earlier = rasters[raster.like].index;
        for (var i = 0; i < cells; i += 1) { index[i] += expected[earlier[i]]; }
      }
      raster.index = index;
      rasters[raster.name] = raster;
      waiting.forEach(function (one) { one(raster.name); });
    });
  }

  covermap.rasters = rasters;
  covermap.onRaster = function (listener) {
    waiting.push(listener);
    Object.keys(rasters).forEach(listener);
  };

  var MERCATOR = L.CRS.EPSG3857.projection;

  /* The ten terms of a cubic in x and y, in the order of map_overlays.py. */
  function cubic(coefficients, x, y) {
    var sum = [0, 0];
    var term = 0;
    for (var total = 0; total < 4; total += 1) {
      for (var i = 0; i <= total; i += 1) {
        var power = Math.pow(x, i) * Math.pow(y, total - i);
        sum[0] += coefficients[0][term] * power;
        sum[1] += coefficients[1][term] * power;
        term += 1;
      }
    }
    return sum;
  }

  /* Column and row of a position, in cells from the north-west corner. */
  covermap.toGrid = function (latlng) {
    var point = MERCATOR.project(latlng);
    return cubic(place.to_grid, (point.x - place.centre[0]) / place.half_map_m,
      (point.y - place.centre[1]) / place.half_map_m);
  };

  covermap.toLatLng = function (colRow) {
    var off = cubic(place.to_map,
      (colRow[0] - grid.cols / 2) * grid.cell_m / place.half_grid_m,
      (colRow[1] - grid.rows / 2) * grid.cell_m / place.half_grid_m);
    return MERCATOR.unproject(L.point(place.centre[0] + off[0], place.centre[1] + off[1]));
  };

  /* The value of a raster in the cell that holds a place, or null. */
  covermap.valueAt = function (name, colRow) {
    var col = Math.floor(colRow[0]);
    var row = Math.floor(colRow[1]);
    if (col < 0 || row < 0 || col >= grid.cols || row >= grid.rows || !rasters[name]) {
      return null;
    }
    var index = rasters[name].index[row * grid.cols + col];
    return index ? rasters[name].levels[index - 1] : null;
  };

  covermap.errorAt = function (name, value) {
    return rasters[name].errors[rasters[name].levels.indexOf(value)];
  };

  /* A picture with straight edges, turned and stretched to where the grid lies. */
  var FieldImage = L.Layer.extend({
    initialize: function (raster) {
      this.raster = raster;
      this.corners = place.corners.map(function (xy) {
        return MERCATOR.unproject(L.point(xy[0], xy[1]));
      });
    },
    onAdd: function () {
      if (!this.canvas) { this.canvas = this.makeCanvas(); }
      this.getPane("field").appendChild(this.canvas);
      this.settle();
    },
    onRemove: function () { this.canvas.remove(); },
    getEvents: function () {
      return { zoom: this.settle, viewreset: this.settle, zoomanim: this.follow };
    },
    makeCanvas: function () {
      var canvas = L.DomUtil.create("canvas", "field-image leaflet-zoom-animated");
      canvas.width = grid.cols;
      canvas.height = grid.rows;
      canvas.setAttribute("role", "img");
      canvas.setAttribute("aria-label",
        this.raster.title + ": " + data.meanings[this.raster.name]);
      return canvas;
    },
    paint: function () {
      if (this.painted || !this.canvas || !this.raster.index) { return; }
      this.painted = true;
      var image = new ImageData(grid.cols, grid.rows);
      var pixels = new Uint32Array(image.data.buffer);
      var colours = new Uint32Array(256);
      var ofColour = new Uint8Array(colours.buffer);
      var hex = this.raster.colours;
      for (var k = 0; k * 6 < hex.length; k += 1) {
        for (var part = 0; part < 3; part += 1) {
          var at = 6 * k + 2 * part;
          ofColour[4 * (k + 1) + part] = parseInt(hex.slice(at, at + 2), 16);
        }
        ofColour[4 * (k + 1) + 3] = 255;
      }
      for (var i = 0; i < cells; i += 1) { pixels[i] = colours[this.raster.index[i]]; }
      this.canvas.getContext("2d").putImageData(image, 0, 0);
    },
    settle: function () {
      this.paint();
      var map = this._map;
      this.put(function (corner) { return map.latLngToLayerPoint(corner); });
    },
    follow: function (event) {
      var map = this._map;
      this.put(function (corner) {
        return map._latLngToNewLayerPoint(corner, event.zoom, event.center);
      });
    },
    put: function (toPoint) {
      var start = toPoint(this.corners[0]);
      var right = toPoint(this.corners[1]).subtract(start).divideBy(grid.cols);
      var down = toPoint(this.corners[2]).subtract(start).divideBy(grid.rows);
      this.canvas.style.transform =
        "matrix(" + [right.x, right.y, down.x, down.y, start.x, start.y].join(",") + ")";
      /* Cells larger than a pixel keep their edges; smaller ones are averaged. */
      this.canvas.style.imageRendering = Math.hypot(right.x, right.y) >= 1 ? "pixelated" : "auto";
    }
  });

  covermap.map.createPane("field").style.zIndex = 300;
  covermap.map.getPane("field").style.pointerEvents = "none";
  var images = data.rasters.map(function (raster) {
    return new FieldImage(raster).addTo(window["feature_group_raster_" + raster.name]);
  });
  covermap.onRaster(function (name) {
    images.forEach(function (image) {
      if (image.raster.name === name) { image.paint(); }
    });
  });

  covermap.readable = "DecompressionStream" in window;
  covermap.ready = covermap.readable ? data.rasters.reduce(function (before, raster) {
    return before.then(function () { return unpack(raster); });
  }, Promise.resolve()) : Promise.resolve();
}());
