"""Texts that try to be something else, over sixty of them: for whatever shows what people and devices wrote.

Each sets `window.taken`, opens a dialog, asks another host, breaks out of its place or hides what stands
beside it, if it is taken for anything but a text.
"""

from __future__ import annotations

from typing import Final

TEXTS: Final = (
    # script and markup
    "<script>window.taken=1</script>",
    "</script><script>window.taken=2</script>",
    "<SCRIPT SRC=//elsewhere.example/x.js></SCRIPT>",
    "<img src=x onerror=window.taken=3>",
    "<img src=//elsewhere.example/pixel.png>",
    "<svg onload=alert(4)>",
    "<svg><script>window.taken=5</script></svg>",
    "<svg><a xlink:href='javascript:window.taken=6'><text>x</text></a></svg>",
    "<iframe src=//elsewhere.example/></iframe>",
    "<iframe srcdoc='<script>parent.taken=7</script>'></iframe>",
    "<object data=//elsewhere.example/x></object>",
    "<embed src=//elsewhere.example/x>",
    "<link rel=stylesheet href=//elsewhere.example/x.css>",
    "<style>body{display:none}</style>",
    "<style>@import '//elsewhere.example/x.css';</style>",
    "<base href=//elsewhere.example/>",
    "<meta http-equiv=refresh content=0;url=//elsewhere.example/>",
    "<form action=//elsewhere.example/><input name=password autofocus onfocus=window.taken=8></form>",
    "<details open ontoggle=window.taken=9>",
    "<video><source onerror=window.taken=10></video>",
    "<marquee onstart=window.taken=11>",
    "<body onload=window.taken=12>",
    "<math><mi xlink:href='javascript:window.taken=13'>x</mi></math>",
    "<template><script>window.taken=14</script></template>",
    "<noscript><p title='</noscript><img src=x onerror=window.taken=15>'>",
    "<!--><img src=x onerror=window.taken=16>-->",
    "<![CDATA[<script>window.taken=17</script>]]>",
    "<scr<script>ipt>window.taken=18</scr</script>ipt>",
    "&lt;script&gt;window.taken=19&lt;/script&gt;",
    "&#60;img src=x onerror=window.taken=20&#62;",
    # out of an attribute, a title, a text area
    '" onmouseover="window.taken=21',
    "' onfocus='window.taken=22' autofocus='",
    '"><img src=x onerror=window.taken=23>',
    "'><svg/onload=window.taken=24>",
    "` onerror=`window.taken=25",
    "</title><script>window.taken=26</script>",
    "</textarea><script>window.taken=27</script>",
    "</option></select><img src=x onerror=window.taken=28>",
    # addresses
    "javascript:window.taken=29",
    "JaVaScRiPt:alert(30)",
    "data:text/html,<script>parent.taken=31</script>",
    "//elsewhere.example/",
    "[mark](javascript:window.taken=32)",
    '<a href="javascript:window.taken=33">click</a>',
    # what charts take for markup or a formula of their own
    "<b>bold</b><br><sup>2</sup>",
    "%{customdata[0]}<extra></extra>",
    "$\\href{javascript:window.taken=34}{x}$",
    # formulas of spreadsheets
    "=cmd|' /C calc'!A0",
    "+1+cmd|' /C calc'!A0",
    "-2+3+cmd|' /C calc'!A0",
    "@SUM(1+1)*cmd|' /C calc'!A0",
    '=HYPERLINK("//elsewhere.example/","click")',
    "=1+1;=2,3",
    # paths
    "../../../../etc/passwd",
    "..\\..\\windows\\system32\\config",
    "/etc/passwd%00.jpg",
    "%2e%2e%2fsoak.db",
    "CON",
    "C:\\soak.db:stream",
    "~/soak.db; rm -rf ~",
    # statements, templates, formats, shells
    "'; DROP TABLE soak; --",
    "1 OR 1=1",
    '" UNION SELECT * FROM job --',
    "{{7*7}}",
    "${7*7}",
    "#{7*7}",
    "<%= 7*7 %>",
    "{0.__class__.__init__.__globals__}",
    "%s%s%s%n",
    "#panic() #eval(1)",
    "$(reboot) `reboot`",
    "{'$gt': ''}",
    "__proto__",
    "constructor",
    # lines, headers, what is not printed
    "x\r\nSet-Cookie: taken=1",
    "x\nX-Taken: 1\n\n<script>window.taken=35</script>",
    "%0d%0aSet-Cookie:%20taken=1",
    "null\x00byte",
    "\x1b[2J\x1b[31mred",
    "\x07\x08\x7f",
    "\ufeffmark at the start",
    "not a letter \uffff \ud800",
    # what hides or turns its neighbours
    "fail \u202etuo ssap",
    "\u2066\u2067\u202dturned",
    "zero\u200bwidth\u200djoined",
    "\u0627\u0644\u0645\u062d\u0648\u0644 240 W",
    "Z\u0351\u036b\u0343\u036a\u0302\u036b\u033d\u034f\u0334\u0319\u0324\u031e\u0349\u035a\u032f\u031e\u0320\u034d",
    "\U0001f9ef\U0001f469\u200d\U0001f527",
    "\uff1cscript\uff1ewindow.taken=36\uff1c/script\uff1e",
    # size
    "a" * 199,
    "<b>" * 60,
    "word " * 3_000,
)
"""In none of them but the last three is the length what matters."""
