-- One row per good part that was put into a set: where and when, and when it had been fed (null: it has no number).
with

placed as (
    select * from moves
    where move = 'good' and set is not null
),

known as (
    select
        part                  as part,
        done_us               as done_us,
        max(fed_us)           as fed_us,
        max(carrier)          as carrier
    from parts
    where outcome = 'good'
    group by part, done_us
)

select
    placed.set                as set,
    placed.product            as member,
    placed.part               as part,
    placed.us                 as us,
    known.fed_us              as fed_us,
    known.carrier             as carrier,
    placed.file               as file,
    placed.line               as line
from placed
left join known on placed.part = known.part and placed.us = known.done_us
order by us, file, line
