// A run's way over the cells of a map, on the desk and in reports.
import { useEffect, useState } from "preact/hooks";
import "./way.css";

/** From the middle of cell to the middle of cell: `cells` has the run's own `p` and `v`, `grid` is the table's ref. */
export function Way({ cells, lifts, points, grid }) {
  const [drawn, setDrawn] = useState(null);
  useEffect(() => {
    const draw = () => {
      const middle = (r, c) => {
        const cell = grid.current?.querySelector(`[data-cell="${r} ${c}"]`);
        return cell && [cell.offsetLeft + cell.offsetWidth / 2, cell.offsetTop + cell.offsetHeight / 2];
      };
      if (!cells || !grid.current) return setDrawn(null);
      const between = (axis, at) => {
        let i = 0;
        while (i < axis.length - 2 && axis[i + 1] <= at) i += 1;
        const share = axis.length > 1 ? Math.min(1, Math.max(0, (at - axis[i]) / (axis[i + 1] - axis[i]))) : 0;
        return [i, Math.min(i + 1, axis.length - 1), share];
      };
      let path = "";
      for (let k = 0; k < cells.p.length; k += 1) {
        const [c0, c1, across] = between(points, cells.p[k]);
        const [r0, r1, up] = between(lifts, cells.v[k]);
        const low = middle(r0, c0);
        const high = middle(r1, c1);
        if (!low || !high) return setDrawn(null);
        path += `${k ? "L" : "M"}${(low[0] + across * (high[0] - low[0])).toFixed(1)} ${(low[1] + up * (high[1] - low[1])).toFixed(1)}`;
      }
      return setDrawn({ path, width: grid.current.offsetWidth, height: grid.current.offsetHeight });
    };
    draw();
    const watch = new ResizeObserver(draw);
    watch.observe(grid.current);
    return () => watch.disconnect();
  }, [cells, lifts, points]);
  if (!drawn) return null;
  return <svg class="way" width={drawn.width} height={drawn.height} aria-hidden="true"><path d={drawn.path} /></svg>;
}
