"""The page round a drawing: how fresh it is, colours, and the script that fetches the next one.

Everything works without the script; with it the page renews itself, counts its own age, and says so
when the shed can no longer be reached. Words come from `Drawing`, ready escaped.
"""

from typing import NamedTuple

from dashboards.age import age_words
from dashboards.phone.board import Drawing, Sight

LOST_S = 50
"""A page that has heard nothing for so long says that it has lost contact."""


class Said(NamedTuple):
    """What became of a form that said that an alarm was seen."""

    alarm: str
    entered: bool


_STYLE = """
:root{color-scheme:light dark;--bg:#f6f4ee;--ink:#18222b;--dim:#4a5660;--line:#c9c4b6;--card:#fffdf8;
--go:#0b6b63;--go-ink:#fff;--tight:#f2c53d;--tight-ink:#221a00;--no:#a1232b;--no-ink:#fff;
--news:#63418c;--news-ink:#fff;--part:#b4501e;--air:#2f6690;--dew:#23776d}
@media(prefers-color-scheme:dark){:root{--bg:#0f1519;--ink:#e9eef0;--dim:#a9b6bd;--line:#36434b;--card:#18212700;
--go:#4fc7b4;--go-ink:#03201c;--tight:#f2cf5b;--tight-ink:#221a00;--no:#e2636a;--no-ink:#1c0204;
--news:#b795e0;--news-ink:#14042a;--part:#f0955f;--air:#7db7e2;--dew:#6fd0c0}}
*{box-sizing:border-box}body{margin:0;background:var(--bg);color:var(--ink);
font:1.0625rem/1.45 system-ui,sans-serif;overflow-wrap:anywhere}
header,main,footer{max-width:46rem;margin:0 auto;padding:.5rem 1rem}
header p{margin:.2rem 0;font-size:1.125rem}header b{font-variant-numeric:tabular-nums}
.first{border-radius:.75rem;padding:1rem;margin:.5rem 0 1rem;background:var(--bg-v);color:var(--ink-v)}
.first+section h2{margin-top:.5rem}
.first h1{font-size:2.75rem;line-height:1.05;margin:0;letter-spacing:.01em}
.first .num{font-size:2.25rem;line-height:1.1;margin:.5rem 0 0;font-weight:700}
.first .num small{display:block;font-size:1.125rem;font-weight:400;line-height:1.4}
.first .about{font-size:1.25rem;font-weight:700}
.first p{margin:.4rem 0 0;font-size:1.125rem}
.go{--bg-v:var(--go);--ink-v:var(--go-ink)}.tight{--bg-v:var(--tight);--ink-v:var(--tight-ink)}
.no-go{--bg-v:var(--no);--ink-v:var(--no-ink)}.no-news{--bg-v:var(--news);--ink-v:var(--news-ink)}
.calm{--bg-v:var(--line);--ink-v:var(--ink)}
.failed{border:2px solid var(--no);border-radius:.75rem;padding:.75rem;font-weight:700}.told{font-weight:700}
h2{font-size:1.375rem;margin:1.5rem 0 .25rem;border-bottom:2px solid var(--line)}
h3{font-size:1.1875rem;margin:1rem 0 .25rem}h3 .v{font-size:1rem;padding:.1rem .5rem;border-radius:.4rem;
background:var(--bg-v);color:var(--ink-v);margin-left:.4rem;white-space:nowrap}
p,ul{margin:.3rem 0}ul{padding-left:1.2rem}.do{font-weight:700}
.st{display:grid;grid-template-columns:6rem 1fr;gap:.1rem .6rem;align-items:center;margin:.45rem 0}
.st span{grid-column:2;color:var(--dim)}
progress{width:100%;height:1.1rem;accent-color:var(--air);border:0;background:var(--line)}
progress::-webkit-progress-bar{background:var(--line)}progress::-webkit-progress-value{background:var(--air)}
progress::-moz-progress-bar{background:var(--air)}
dl{display:grid;grid-template-columns:auto 1fr;gap:.1rem 1rem;margin:.3rem 0}
dt{color:var(--dim)}dd{margin:0;font-variant-numeric:tabular-nums}
figure{margin:.5rem 0}figcaption{color:var(--dim)}svg{width:100%;height:auto;display:block}
svg text{fill:var(--ink);font:12px system-ui,sans-serif}.gr{stroke:var(--line);stroke-width:1}
.pb{fill:var(--part);opacity:.22}.pl{stroke:var(--part)}.al{stroke:var(--air);stroke-dasharray:1 5}
.dl{stroke:var(--dew);stroke-dasharray:7 4}.pl,.al,.dl{fill:none;stroke-width:2.5;stroke-linecap:round}
.by{stroke:var(--ink);stroke-width:1.5;stroke-dasharray:2 3}svg .pt{fill:var(--part)}svg .at{fill:var(--air)}
svg .dt{fill:var(--dew)}
.btn{display:block;text-align:center;padding:.8rem;margin:1rem 0;min-height:3rem;border:2px solid var(--ink);
border-radius:.75rem;color:inherit;text-decoration:none;font-weight:700}
button.btn{width:100%;font:inherit;font-weight:700;background:none;cursor:pointer}
.btn:focus-visible{outline:3px solid var(--air);outline-offset:3px}
#lost{display:none;background:var(--news);color:var(--news-ink);padding:.75rem;border-radius:.75rem;
font-weight:700}.lost #lost{display:block}.lost .first{background:none;color:inherit;border:2px dashed}
.hid{position:absolute;width:1px;height:1px;overflow:hidden;clip-path:inset(50%)}
footer{color:var(--dim);font-size:1rem}
@media(min-width:60rem){main{max-width:60rem;columns:2;column-gap:2rem}
.first{column-span:all}section{break-inside:avoid}header,footer{max-width:60rem}}
"""
_SCRIPT = """
(()=>{const d=document,$=i=>d.getElementById(i);let seen=performance.now(),drawn=seen,busy=0;
const words=s=>{s=Math.max(0,s);const m=Math.floor(s/60),h=Math.floor(m/60);
return s<100?Math.floor(s)+' s':h<1?m+' min':h<48?h+' h'+(m%60?' '+m%60+' min':''):Math.floor(h/24)+' days'};
const tick=()=>{const now=performance.now(),gone=(now-seen)/1000,m=d.querySelector('main'),
b=$('heard'),speed=+m.dataset.speed,on=(now-drawn)/1000*speed;
if(b)b.textContent=words(+b.dataset.age+on);
const old=gone>LOST||
(!m.dataset.stale&&m.dataset.age!==''&&+m.dataset.age+on>STALE);
d.body.classList.toggle('lost',old);const w=$('word');
if(w){if(old&&!w.dataset.was&&w.textContent!=='NO NEWS'){w.dataset.was=w.textContent;
w.textContent='NO NEWS; it was '+w.dataset.was;
say(w.textContent)}
if(!old&&w.dataset.was){w.textContent=w.dataset.was;delete w.dataset.was}}
$('lost').textContent=gone>LOST?'No contact with the shed for '+words(gone)+'. What stands below is old.'
:'Nothing newer has been worked out for '+words(+m.dataset.age+on)+'. What stands below is old.'};
const say=t=>{if($('said').textContent!==t)$('said').textContent=t};
const load=async()=>{if(busy)return;busy=1;try{const r=await fetch('/',{cache:'no-store'});
if(r.status===403){location.reload();return}if(!r.ok)return;
const n=new DOMParser().parseFromString(await r.text(),'text/html');
for(const t of['header','main'])d.querySelector(t).replaceWith(n.querySelector(t));
d.title=n.title;drawn=seen=performance.now();tick();say($('word').textContent)}catch(e){}finally{busy=0}};
const on=e=>{seen=performance.now();if(e.data!==d.querySelector('main').dataset.rev)load();tick()};
if(location.search)history.replaceState(null,'','/'+location.hash);
const s=new EventSource('/events');s.addEventListener('here',on);
d.addEventListener('visibilitychange',()=>{if(!d.hidden)load()});setInterval(tick,5000)})()
"""


def page(sight: Sight, nonce: str, speed: float, form: str = "", said: Said | None = None) -> bytes:
    """Return the whole page.

    `nonce` lets this page's own style and script run and nobody else's; `speed` is how fast the shed's
    clock runs. `form` is what a form of ours carries, empty where the page may change nothing;
    `said` is what became of the last one.
    """
    drawing = sight.drawing
    shed = "" if drawing is None else drawing.shed
    word = "NO NEWS" if sight.stale or drawing is None else drawing.word
    age = "" if drawing is None else f"{(sight.at - drawing.issued_at).total_seconds():.0f}"
    stale = ' data-stale="1"' if sight.stale else ""
    script = _SCRIPT.replace("LOST", str(LOST_S)).replace("STALE", "1200")
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>{word} {shed}</title>
<meta name="viewport" content="width=device-width,initial-scale=1"><link rel="icon" href="data:,">
<noscript><meta http-equiv="refresh" content="60;url=/"></noscript>
<style nonce="{nonce}">{_STYLE}</style></head>
<body><header>{_fresh(sight)}</header>
<p id="said" class="hid" aria-live="polite"></p>
<main data-rev="{sight.revision}"{stale} data-age="{age}" data-speed="{speed:g}">
{_body(sight, form, said)}</main>
<footer><a class="btn" href="/">Load again</a>
<p>layday advises; the resin maker's data sheet and local rules decide.</p></footer>
<script nonce="{nonce}">{script}</script></body></html>
""".encode()


def _fresh(sight: Sight) -> str:
    """Say first how old everything is."""
    drawing = sight.drawing
    if drawing is None:
        return '<p><b>Nothing heard yet</b></p><p id="lost"></p>'
    if drawing.heard_at is None:
        heard = "<b>No reading yet</b>"
    else:
        age_s = max(0.0, (sight.at - drawing.heard_at).total_seconds())
        heard = (
            f'Newest reading <b id="heard" data-age="{age_s:.0f}">{age_words(age_s)}</b> old'
            f" ({drawing.heard_words})"
        )
    made = f"worked out at {drawing.issued_words}"
    return f'<p>{drawing.shed}: {heard}, {made}</p><p id="lost"></p>'


def _body(sight: Sight, form: str, said: Said | None) -> str:
    drawing = sight.drawing
    if drawing is None:
        return _no_news("No outlook has been worked out yet. See that <code>layday run</code> is at work.")
    if sight.stale:
        age = age_words((sight.at - drawing.issued_at).total_seconds())
        words = (
            f"Nothing newer has been worked out for {age}. See that <code>layday run</code> is at work."
            f" What stands below is how it was at {drawing.issued_words}: it was"
            f" {drawing.word}."
        )
        return _no_news(words) + _alarms(drawing, form, said) + drawing.rest
    return drawing.first + _alarms(drawing, form, said) + drawing.rest


def _alarms(drawing: Drawing, form: str, said: Said | None) -> str:
    """Return what stands, each with its button where the page may say that it was seen."""
    if not drawing.alarms:
        return ""
    blocks = []
    for name, words in drawing.alarms:
        button = _button(name, form, said) if name and form else ""
        blocks.append(
            f'<article id="{name}">{words}{button}</article>' if name else f"<article>{words}</article>"
        )
    return f"<section><h2>Alarms</h2>{''.join(blocks)}</section>"


def _button(name: str, form: str, said: Said | None) -> str:
    """Return an alarm's button, or in its place that it was pressed; before it, that it failed."""
    failed = ""
    if said is not None and said.alarm == name:
        if said.entered:
            return f'<p role="status" class="told">{name} is marked as seen.</p>'
        failed = (
            f'<p role="alert" class="failed">{name} could not be marked as seen. Try again;'
            f" if that does not help: <code>layday alarms ack {name}</code> at the shed's computer.</p>"
        )
    return (
        f'{failed}<form method="post" action="/acknowledge"><input type="hidden" name="form" value="{form}">'
        f'<button class="btn" name="alarm" value="{name}">I have seen {name}</button></form>'
    )


def _no_news(words: str) -> str:
    return f'<section class="first no-news"><h1 id="word">NO NEWS</h1><p>{words}</p></section>'
