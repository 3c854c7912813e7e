# ruff: noqa: E501 - a style sheet is text for the browser
"""What the check's page has beyond the style sheet of the replay's report: drawings, plots, findings, print."""

from __future__ import annotations

PAGE_STYLE = """
h2{border-top:2px solid var(--line);padding-top:18px}
h3{font-size:15px;margin:22px 0 6px}
nav{margin:14px 0;display:flex;flex-wrap:wrap;gap:4px 18px}nav a{color:var(--joint)}
.result{font-size:17px;font-weight:600;margin:10px 0;padding:8px 14px;border:2px solid;display:inline-block}
.result.good{color:var(--drive)}.result.bad{color:var(--stop);border-style:double;border-width:5px}
.st{font-weight:600;white-space:nowrap}.st.good{color:var(--drive)}
.st.bad{color:var(--stop)}.st.bad::before{content:"\\2716\\00a0"}.st.waived{color:var(--demand)}.st.waived::before{content:"!\\00a0"}
.wrong{border-left:6px double var(--stop);padding:2px 14px;margin:14px 0}.wrong.waived{border-left:4px dashed var(--demand)}
.wrong p{margin:4px 0}.wrong ul{margin:2px 0 6px;padding-left:20px}
.joint{display:grid;grid-template-columns:minmax(0,43fr) minmax(0,57fr);gap:20px;align-items:start}
.plots2{display:grid;grid-template-columns:minmax(0,1fr) minmax(0,1fr);gap:14px 16px}
figure{margin:0;break-inside:avoid}
figcaption{font-weight:600;font-size:13.5px;margin:0 0 4px}
.about{font-size:13px;color:var(--soft);margin:4px 0 8px}
.missing{border:1px dashed var(--soft);padding:8px 12px;font-size:13.5px}.missing p{margin:2px 0}
.keys{font-size:12.5px;margin:2px 0 0;display:flex;flex-wrap:wrap;gap:1px 14px;color:var(--ink)}
svg.sample{width:30px;height:10px;margin-right:5px;vertical-align:middle}
svg.plot,svg.linkage,svg.arm{display:block;width:100%;background:var(--card);border:1px solid var(--line)}
svg.linkage{max-width:640px}svg.arm{max-width:860px}
svg text{font:12px system-ui,"Segoe UI","Liberation Sans",sans-serif;fill:var(--ink)}
svg.plot text{fill:var(--soft);font-size:11.5px}
svg .label{paint-order:stroke;stroke:var(--card);stroke-width:3.5px;stroke-linejoin:round}
svg line,svg polyline,svg polygon{stroke:var(--soft);stroke-width:1.2;fill:none}
svg .grid{stroke:var(--grid);stroke-width:1}
svg line.soft{stroke:var(--soft);stroke-width:1.2;stroke-dasharray:2 3}
svg .curve{stroke-width:2;stroke:var(--joint)}svg .curve.negative{stroke:var(--demand)}
svg .d1{stroke-dasharray:7 3}svg .d2{stroke-dasharray:2 2.5}svg .d3{stroke-dasharray:10 3 2 3}svg .d4{stroke-dasharray:14 4}svg .d5{stroke-dasharray:5 2 1 2 1 2}
svg .limit{stroke:var(--stop);stroke-width:3}svg .limit.n1{stroke-width:2;stroke-dasharray:12 5}
svg .worst{fill:var(--card);stroke:var(--ink);stroke-width:2}
svg .leader{stroke-width:.8}
svg line.scale{stroke:var(--ink)}
.linkage .travel{stroke:var(--soft);stroke-width:1.5}
.linkage .stop.hard{stroke:var(--stop);stroke-width:4}.linkage line.stop.soft{stroke:var(--demand);stroke-width:2.5;stroke-dasharray:3 2}
.linkage .radius{stroke:var(--soft);stroke-width:1.2;stroke-dasharray:5 4}.linkage .radius.base,.linkage .radius.middle{stroke:var(--ink);stroke-width:2;stroke-dasharray:none}
.linkage polygon{stroke:var(--soft);stroke-width:1;stroke-dasharray:4 3}
.linkage .barrel.middle{stroke:var(--joint);stroke-width:1.8;stroke-dasharray:none;fill:var(--joint);fill-opacity:.18}
.linkage .eye.middle{stroke:var(--joint);stroke-width:3}.linkage .rod.middle{stroke:var(--joint);stroke-width:1.2;stroke-dasharray:none;fill:var(--card)}
.linkage line.lever{stroke:var(--drive);stroke-width:2;stroke-dasharray:6 3}.linkage text.lever{fill:var(--drive)}
.linkage line.dead{stroke:var(--stop);stroke-width:1.5;stroke-dasharray:10 3 2 3}.linkage text.dead{fill:var(--stop)}
.linkage .pivot{fill:var(--card);stroke:var(--ink);stroke-width:2}.linkage .pivot.lower,.linkage .pivot.upper{stroke:var(--soft);stroke-width:1.2}
.linkage .pivot.heart{fill:var(--ink);stroke:none}
svg text.name{font-style:italic}
svg.arm polygon.reach{fill:var(--joint);fill-opacity:.09;stroke:var(--joint);stroke-width:1.2;stroke-dasharray:6 4}svg.arm circle.reach{fill:var(--joint);fill-opacity:1;stroke:none}
svg.arm text.reach{fill:var(--joint)}
svg.arm .arm{stroke:var(--ink);stroke-width:6;stroke-linejoin:round;stroke-linecap:round}svg.arm .arm.thin{stroke-width:2;stroke-dasharray:5 3}
svg.arm .level{stroke-dasharray:1 4}
svg.arm .pivot{fill:var(--card);stroke:var(--ink);stroke-width:2.5}
svg.arm .centre{stroke:var(--demand);stroke-width:2.5}
svg.arm circle.load{fill:var(--demand);stroke:var(--ink);stroke-width:1.5}svg.arm .offset{stroke:var(--demand);stroke-width:3}
svg.space .part{fill:var(--joint);fill-opacity:.16;stroke:var(--joint);stroke-width:1.4}svg.space .part.far{fill:none;stroke:var(--soft);stroke-dasharray:5 4}
svg.space polygon.keep{fill:var(--stop);fill-opacity:.14;stroke:var(--stop);stroke-width:2}svg.space text.keep{fill:var(--stop);font-weight:600}
.spaces{display:grid;grid-template-columns:minmax(0,1fr) minmax(0,1fr);gap:14px 16px;align-items:start}
table.small{font-size:13px;margin-top:8px}table.small td,table.small th{padding:3px 8px}table.small th.n{white-space:normal}table.small td{white-space:nowrap}
table.findings td,table.findings th{padding:4px 9px;font-size:13.5px}
table.findings tr.bad td{background:var(--note)}
details{margin:8px 0 0}summary{cursor:pointer;font-size:13.5px;color:var(--soft)}
dl.more{font-size:13px;display:grid;grid-template-columns:190px 1fr;gap:5px 14px;margin:8px 0}
dl.more dt{font-weight:600;overflow-wrap:anywhere}dl.more dd{margin:0;overflow-wrap:anywhere}
@media (max-width:760px){table.findings td,table.findings th{padding:4px 5px;font-size:12.5px}}
@media (max-width:900px){.joint,.spaces{grid-template-columns:minmax(0,1fr)}}
@media (max-width:520px){.plots2{grid-template-columns:minmax(0,1fr)}dl.more{grid-template-columns:1fr}dl.more dd{margin-left:12px}}
@media print{:root{--paper:#fff;--card:#fff;--ink:#000;--soft:#444;--line:#bbb;--grid:#ddd;--demand:#8a4208;--joint:#0a4a88;
--stop:#8f1c24;--drive:#1a5c3a;--note:#f3f3f3;--noteline:#666}
main{max-width:none;padding:0}nav{display:none}body{font-size:12px}h2{break-after:avoid}tr,dd,.wrong{break-inside:avoid}
.scroll{overflow:visible}svg.linkage{max-width:380px}dl.more{font-size:10.5px;grid-template-columns:135px 1fr}svg{print-color-adjust:exact;-webkit-print-color-adjust:exact}}
"""
