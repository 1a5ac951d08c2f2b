-- One row per key: what the cell turned out in planned busy time within the window. A row of moves may stand for n.
with

made as (
    select * from moves
),

busy as (
    select * from plan
    where plan = 'busy' and lane = '*'
),

spans as (
    select * from windows
)

select
    spans.key                                                                              as key,
    coalesce(sum(made.n) filter (where made.move = 'good' and not made.rework), 0)::bigint as good_n,
    coalesce(sum(made.n) filter (where made.move = 'good' and made.rework), 0)::bigint     as rework_n,
    coalesce(sum(made.n) filter (where made.move = 'reject'), 0)::bigint                   as reject_n
from made
inner join spans on made.us >= spans.from_us and made.us < spans.to_us
asof join busy on made.us >= busy.start_us -- spans do not overlap: the last one begun is the only one
where made.us < busy.end_us
group by spans.key
